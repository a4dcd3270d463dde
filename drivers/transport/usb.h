/* USB instruments: HID interfaces by libusb, everything asynchronous, on one descriptor for the loop.
 *
 * Which device it shall be is decided elsewhere (daemon/hotplug.h); here it is opened, asked what it is,
 * read, reported, and given back to the kernel. */
#ifndef POISE_TRANSPORT_USB_H
#define POISE_TRANSPORT_USB_H

#include <stddef.h>
#include <stdint.h>

#include "poise/why.h"

/* Bytes of one report, as many as a driver's buffer counts (driver.h); of a longer one only these are handed on. */
enum { USB_REPORT_MOST = 255, USB_FEATURES_MOST = 4 };

struct hid_feature; /* hid.h */

/* Where a HID interface is. */
struct usb_place {
    uint8_t bus, address, interface;
};

/* Who hears of an open port.  None of these is called from within usb_open or usb_send. */
struct usb_listener {
    /* Its report descriptor; 0 when it is what was looked for. */
    int (*described)(void *context, const uint8_t *descriptor, size_t length, struct why *why);
    /* The feature reports to ask it for, at most USB_FEATURES_MOST; their count.  Then each that it answers. */
    int (*features)(void *context, struct hid_feature *out, int most);
    void (*feature)(void *context, const uint8_t *report, size_t length);
    void (*report)(void *context, const uint8_t *report, size_t length);
    void (*order_refused)(void *context);
    /* It is gone, or not what was looked for: -ENODEV, or -EIO.  Call usb_close. */
    void (*lost)(void *context, int error, const char *sentence);
    void (*closed)(void *context); /* the last call; the port's memory is gone */
};

struct usb;
struct usb_port;

/* Starts libusb.  0 or a negative errno with a sentence. */
int usb_start(struct usb **out, struct why *why);

/* Readable when there is something to handle. */
int usb_fd(const struct usb *usb);
void usb_handle(struct usb *usb);

/* When all ports are closed. */
void usb_stop(struct usb *usb);

/* Takes the interface from the kernel's driver and asks what it is.  0, or -ENODEV, -EACCES, -EBUSY, -EIO with a
 * sentence that says what to do. */
int usb_open(struct usb_port **out, struct usb *usb, struct usb_place place, const struct usb_listener *listener,
             void *context, struct why *why);

/* An interface that no driver has, as a program leaves it that was killed while it held it, goes back to the kernel's
 * driver, which reads what it is.  Nothing happens when somebody has it.  0 or a negative errno. */
int usb_give_to_kernel(struct usb *usb, struct usb_place place);

/* An order as a driver writes it: kind of the report, its ID, the report.  0, -EAGAIN while another is on its way. */
int usb_send(struct usb_port *port, const uint8_t *order, size_t length);

/* Gives the interface back to the kernel's driver: `closed` says when. */
void usb_close(struct usb_port *port);

#endif
