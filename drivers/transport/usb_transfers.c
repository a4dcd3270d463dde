/* What is sent to and read from a USB instrument that is open: what it is, its reports, orders; see usb.h.  All of it
 * is asynchronous. */
#include "usb_parts.h"

#include <errno.h>
#include <linux/usbdevice_fs.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>

enum {
    CONTROL_MS = 1000, /* a device that takes longer to say what it is does not work */
    ERRORS_IN_ROW = 8, /* noise on the bus comes singly; so many in a row are a broken device */

    /* USB HID 1.11, 7.1 and 7.2 */
    GET_REPORT = 0x01,
    GET_DESCRIPTOR = 0x06,
    SET_REPORT = 0x09,
    SET_IDLE = 0x0a,
    SET_PROTOCOL = 0x0b,
    TO_INTERFACE = 0x21,
    FROM_INTERFACE = 0x81,
    FROM_CLASS = 0xa1,
    BOOT_REPORT_LENGTH = 8, /* appendix B.1 */

    /* USB 2.0, 9.4.1 */
    CLEAR_FEATURE = 0x01,
    TO_ENDPOINT = 0x02,
    ENDPOINT_HALT = 0
};

static void lose(struct usb_port *port, int error, const char *sentence)
{
    if (port->lost)
        return;
    port->lost = why_set(&port->why, error, "%s", sentence);
}

static void submit(struct usb_port *port, struct libusb_transfer *transfer)
{
    int error = port->closing || port->lost ? LIBUSB_ERROR_INTERRUPTED : libusb_submit_transfer(transfer);

    if (error == 0)
        port->in_flight++;
    else if (error != LIBUSB_ERROR_INTERRUPTED)
        lose(port, error == LIBUSB_ERROR_NO_DEVICE ? -ENODEV : -EIO,
             error == LIBUSB_ERROR_NO_DEVICE ? "it was unplugged" : "the USB bus takes no request for it");
}

static void submit_read(struct usb_port *port, int number)
{
    int before = port->in_flight;

    submit(port, port->reads[number]);
    port->reading[number] = port->in_flight > before;
}

/* --- reading ----------------------------------------------------------------------------------------- */

/* The device begins again with the first of its two kinds of packets, so the kernel has to, too: what it expects is the
 * other kind perhaps, and one report would be lost.  This sends nothing, so it does not wait. */
static void LIBUSB_CALL on_cleared(struct libusb_transfer *transfer)
{
    struct usb_port *port = transfer->user_data;
    unsigned endpoint = port->endpoint;

    port->in_flight--;
    port->clearing = false;
    if (port->closing || port->lost)
        return;
    if (transfer->status == LIBUSB_TRANSFER_COMPLETED && port->fd >= 0)
        ioctl(port->fd, USBDEVFS_RESETEP, &endpoint);
    for (int i = 0; i < USB_READS; i++)
        submit_read(port, i);
}

static void begin_clearing(struct usb_port *port)
{
    port->clearing = true;
    for (int i = 0; i < USB_READS; i++)
        if (port->reading[i])
            libusb_cancel_transfer(port->reads[i]);
}

/* As soon as no transfer is left on the stalled endpoint.  libusb_clear_halt would wait for the device's answer. */
static void clear_halt(struct usb_port *port)
{
    for (int i = 0; i < USB_READS; i++)
        if (port->reading[i])
            return;
    libusb_fill_control_setup(port->control_buffer, TO_ENDPOINT, CLEAR_FEATURE, ENDPOINT_HALT, port->endpoint, 0);
    libusb_fill_control_transfer(port->control, port->handle, port->control_buffer, on_cleared, port, CONTROL_MS);
    submit(port, port->control);
}

/* A transfer that brought nothing.  True: it may be tried again. */
static bool survived(struct usb_port *port, enum libusb_transfer_status status)
{
    if (status == LIBUSB_TRANSFER_NO_DEVICE) {
        lose(port, -ENODEV, "it was unplugged");
        return false;
    }
    if (status == LIBUSB_TRANSFER_CANCELLED) /* to clear a stall */
        return true;
    if (++port->errors_in_row < ERRORS_IN_ROW) {
        if (status == LIBUSB_TRANSFER_STALL)
            begin_clearing(port);
        return true;
    }
    lose(port, -EIO,
         status == LIBUSB_TRANSFER_STALL      ? "it refuses to be read; unplug it and plug it in again"
         : status == LIBUSB_TRANSFER_OVERFLOW ? "it sends more than it announced"
                                              : "the USB bus reports errors; try another cable or port");
    return false;
}

static void LIBUSB_CALL on_read(struct libusb_transfer *transfer)
{
    struct usb_port *port = transfer->user_data;
    int number = 0;

    while (port->reads[number] != transfer)
        number++;
    port->reading[number] = false;
    port->in_flight--;
    if (port->closing || port->lost)
        return;
    if (transfer->status == LIBUSB_TRANSFER_COMPLETED) {
        port->errors_in_row = 0;
        if (transfer->actual_length > 0)
            port->listener->report(port->context, transfer->buffer,
                                   transfer->actual_length < USB_REPORT_MOST ? (size_t)transfer->actual_length
                                                                             : USB_REPORT_MOST);
    } else if (!survived(port, transfer->status)) {
        return;
    }
    if (port->clearing)
        clear_halt(port);
    else
        submit_read(port, number);
}

/* A report may come in several packets, and ends with a short one or where the longest has its end (HID 1.11, 8.4): a
 * transfer of so many whole packets takes exactly one. */
static bool make_reads(struct usb_port *port)
{
    size_t packets = (port->report_length + port->packet_size - 1) / port->packet_size;
    size_t size = port->packet_size * (packets > 0 ? packets : 1);

    for (int i = 0; i < USB_READS; i++) {
        uint8_t *buffer = malloc(size);

        port->reads[i] = libusb_alloc_transfer(0);
        if (port->reads[i] == NULL || buffer == NULL) {
            free(buffer);
            return false;
        }
        libusb_fill_interrupt_transfer(port->reads[i], port->handle, port->endpoint, buffer, (int)size, on_read, port,
                                       0);
    }
    return true;
}

static void start_reading(struct usb_port *port)
{
    port->step = STEP_READ;
    if (!make_reads(port)) {
        lose(port, -ENOMEM, "no memory for its reports");
        return;
    }
    for (int i = 0; i < USB_READS; i++)
        submit_read(port, i);
}

/* --- asking what it is ------------------------------------------------------------------------------- */

static void LIBUSB_CALL on_control(struct libusb_transfer *transfer);

static void ask(struct usb_port *port, uint8_t type, uint8_t request, uint16_t value, uint16_t length)
{
    libusb_fill_control_setup(port->control_buffer, type, request, value, port->interface, length);
    libusb_fill_control_transfer(port->control, port->handle, port->control_buffer, on_control, port, CONTROL_MS);
    submit(port, port->control);
}

static void describe(struct usb_port *port)
{
    const struct libusb_transfer *transfer = port->control;
    const uint8_t *descriptor = libusb_control_transfer_get_data(port->control);
    size_t length = (size_t)transfer->actual_length;

    if (transfer->status == LIBUSB_TRANSFER_NO_DEVICE)
        lose(port, -ENODEV, "it was unplugged");
    else if (transfer->status != LIBUSB_TRANSFER_COMPLETED)
        lose(port, -EIO, "it does not answer when asked what it is; unplug it and plug it in again");
    else if (port->listener->described(port->context, descriptor, length, &port->why) < 0)
        port->lost = -EIO;
    port->report_length = port->lost ? 0 : hid_longest_input(descriptor, length);
    port->step = STEP_IDLE;
    ask(port, TO_INTERFACE, SET_IDLE, 0, 0);
}

/* The next feature report, or on to reading.  What it does not answer is done without; one that takes no notice of a
 * question at all is asked no other. */
static void ask_feature(struct usb_port *port)
{
    const struct hid_feature *feature = &port->features[port->feature_at];

    if (port->feature_at == port->feature_count)
        start_reading(port);
    else
        ask(port, FROM_CLASS, GET_REPORT, (uint16_t)(HID_FEATURE << 8 | feature->report_id), feature->length);
}

static void on_feature(struct usb_port *port)
{
    const struct libusb_transfer *transfer = port->control;

    port->feature_at++;
    if (transfer->status == LIBUSB_TRANSFER_NO_DEVICE)
        lose(port, -ENODEV, "it was unplugged");
    else if (transfer->status == LIBUSB_TRANSFER_COMPLETED)
        port->listener->feature(port->context, libusb_control_transfer_get_data(port->control),
                                (size_t)transfer->actual_length);
    else if (transfer->status != LIBUSB_TRANSFER_STALL)
        port->feature_at = port->feature_count;
    ask_feature(port);
}

/* After the descriptor: SET_IDLE so that it reports what changes and when it likes, the boot protocol for
 * keyboards, and what it says of itself.  All may be refused. */
static void LIBUSB_CALL on_control(struct libusb_transfer *transfer)
{
    struct usb_port *port = transfer->user_data;

    port->in_flight--;
    if (port->closing || port->lost || transfer->status == LIBUSB_TRANSFER_CANCELLED)
        return;
    if (port->step == STEP_DESCRIBE) {
        describe(port);
    } else if (port->step == STEP_FEATURES) {
        on_feature(port);
    } else if (port->step == STEP_IDLE && port->boot_keyboard) {
        port->step = STEP_PROTOCOL;
        ask(port, TO_INTERFACE, SET_PROTOCOL, 0, 0);
    } else {
        if (port->step == STEP_PROTOCOL && transfer->status == LIBUSB_TRANSFER_COMPLETED)
            port->report_length = BOOT_REPORT_LENGTH;
        port->step = STEP_FEATURES;
        port->feature_count = port->listener->features(port->context, port->features, USB_FEATURES_MOST);
        ask_feature(port);
    }
}

/* --- orders ------------------------------------------------------------------------------------------ */

static void LIBUSB_CALL on_order(struct libusb_transfer *transfer)
{
    struct usb_port *port = transfer->user_data;

    port->in_flight--;
    port->ordering = false;
    if (transfer->status == LIBUSB_TRANSFER_NO_DEVICE)
        lose(port, -ENODEV, "it was unplugged");
    else if (transfer->status != LIBUSB_TRANSFER_COMPLETED && !port->closing)
        port->listener->order_refused(port->context);
}

int usb_send(struct usb_port *port, const uint8_t *order, size_t length)
{
    if (port->ordering)
        return -EAGAIN;
    if (length < 3 || length - 2 > USB_REPORT_MOST)
        return -EINVAL;
    if (port->closing || port->lost || port->step != STEP_READ)
        return -EAGAIN;
    libusb_fill_control_setup(port->order_buffer, TO_INTERFACE, SET_REPORT, (uint16_t)(order[0] << 8 | order[1]),
                              port->interface, (uint16_t)(length - 2));
    memcpy(port->order_buffer + LIBUSB_CONTROL_SETUP_SIZE, order + 2, length - 2);
    libusb_fill_control_transfer(port->order, port->handle, port->order_buffer, on_order, port, CONTROL_MS);
    submit(port, port->order);
    port->ordering = !port->lost;
    return port->lost;
}

void usb_begin(struct usb_port *port)
{
    ask(port, FROM_INTERFACE, GET_DESCRIPTOR, USB_DESCRIPTOR_REPORT << 8, port->descriptor_length);
}
