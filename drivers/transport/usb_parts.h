/* Inside the usb transport: what its files share.  Nobody but usb*.c includes this. */
#ifndef POISE_TRANSPORT_USB_PARTS_H
#define POISE_TRANSPORT_USB_PARTS_H

#include <stdbool.h>
#include <libusb.h>

#include "hid/hid.h"
#include "usb.h"

enum {
    USB_READS = 2,              /* one is always with the device while the other is looked at */
    USB_DESCRIPTOR_MOST = 4096, /* bytes of a report descriptor */

    /* USB HID 1.11, 6.2.1 and 7.1.1 */
    USB_DESCRIPTOR_HID = 0x21,
    USB_DESCRIPTOR_REPORT = 0x22
};

enum usb_step { STEP_DESCRIBE, STEP_IDLE, STEP_PROTOCOL, STEP_FEATURES, STEP_READ };

struct usb_port {
    struct usb *usb;
    struct usb_port *next;
    libusb_device_handle *handle;
    int fd; /* libusb's, of the open device */
    const struct usb_listener *listener;
    void *context;
    uint8_t interface, endpoint;
    bool boot_keyboard, claimed;
    uint16_t descriptor_length;
    size_t packet_size, report_length; /* of the endpoint; of the longest report */
    enum usb_step step;
    struct hid_feature features[USB_FEATURES_MOST]; /* to be asked for before it is read */
    int feature_count, feature_at;
    struct libusb_transfer *control, *order, *reads[USB_READS];
    bool reading[USB_READS]; /* on their way */
    bool ordering;           /* an order is on its way */
    int in_flight;
    int errors_in_row;
    bool clearing; /* the endpoint has stalled, and is being reported to go on */
    int lost;      /* 0, or why, to be reported when no callback is running */
    bool reported, closing;
    struct why why;
    uint8_t control_buffer[LIBUSB_CONTROL_SETUP_SIZE + USB_DESCRIPTOR_MOST];
    uint8_t order_buffer[LIBUSB_CONTROL_SETUP_SIZE + USB_REPORT_MOST];
};

struct usb {
    libusb_context *context;
    int epoll;
    struct usb_port *ports;
    struct usb_port *opening; /* the descriptor that libusb adds meanwhile is this device's */
    bool handling;
};

/* usb_transfers.c */

/* Asks the open device what it is; then it is read until it is closed.  What fails shows in port->lost. */
void usb_begin(struct usb_port *port);

#endif
