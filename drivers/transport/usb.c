/* USB instruments by libusb; see usb.h. */
#include "usb.h"

#include <errno.h>
#include <libusb.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <unistd.h>

enum {
    READS = 2,                      /* one is always with the device while the other is looked at */
    CONTROL_MS = 1000,              /* a device that takes longer to say what it is does not work */
    DESCRIPTOR_MOST = 4096,
    ERRORS_IN_ROW = 8,              /* noise on the bus comes singly; so many in a row are a broken device */

    /* USB HID 1.11, 7.1 and 7.2 */
    GET_DESCRIPTOR = 0x06, SET_REPORT = 0x09, SET_IDLE = 0x0a, SET_PROTOCOL = 0x0b,
    TO_INTERFACE = 0x21, FROM_INTERFACE = 0x81, DESCRIPTOR_HID = 0x21, DESCRIPTOR_REPORT = 0x22,
    SUBCLASS_BOOT = 1, PROTOCOL_KEYBOARD = 1
};

enum step { STEP_DESCRIBE, STEP_IDLE, STEP_PROTOCOL, STEP_READ };

struct usb_port {
    struct usb *usb;
    struct usb_port *next;
    libusb_device_handle *handle;
    const struct usb_listener *listener;
    void *context;
    uint8_t interface, endpoint;
    bool boot_keyboard, claimed;
    uint16_t descriptor_length;
    size_t packet_size;
    enum step step;
    struct libusb_transfer *control, *order, *reads[READS];
    bool ordering;                  /* an order is on its way */
    int in_flight;
    int errors_in_row;
    bool stalled;
    int lost;                       /* 0, or why, to be told when no callback is running */
    bool told, closing;
    struct why why;
    uint8_t control_buffer[LIBUSB_CONTROL_SETUP_SIZE + DESCRIPTOR_MOST];
    uint8_t order_buffer[LIBUSB_CONTROL_SETUP_SIZE + USB_REPORT_MOST];
};

struct usb {
    libusb_context *context;
    int epoll;
    struct usb_port *ports;
    bool handling;
};

/* --- libusb and the loop --------------------------------------------------------------------------- */

static void LIBUSB_CALL watch(int fd, short events, void *context)
{
    struct usb *usb = context;
    struct epoll_event event = {.events = (uint32_t)events, .data.fd = fd};     /* POLLIN and EPOLLIN are one */

    epoll_ctl(usb->epoll, EPOLL_CTL_ADD, fd, &event);
}

static void LIBUSB_CALL unwatch(int fd, void *context)
{
    struct usb *usb = context;

    epoll_ctl(usb->epoll, EPOLL_CTL_DEL, fd, NULL);
}

/* libusb's thread for hotplug must take none of our signals. */
static int init_quietly(libusb_context **out)
{
    sigset_t all, before;
    int error;

    sigfillset(&all);
    pthread_sigmask(SIG_BLOCK, &all, &before);
    error = libusb_init(out);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    return error;
}

int usb_start(struct usb **out, struct why *why)
{
    struct usb *usb = calloc(1, sizeof *usb);
    const struct libusb_pollfd **fds;
    int error;

    if (usb == NULL)
        return why_set(why, -ENOMEM, "no memory for USB");
    usb->epoll = epoll_create1(EPOLL_CLOEXEC);
    error = usb->epoll < 0 ? LIBUSB_ERROR_OTHER : init_quietly(&usb->context);
    if (error < 0) {
        if (usb->epoll >= 0)
            close(usb->epoll);
        free(usb);
        return why_set(why, -EIO, "USB cannot be used here: %s", libusb_strerror(error));
    }
    fds = libusb_get_pollfds(usb->context);
    for (int i = 0; fds && fds[i]; i++)
        watch(fds[i]->fd, fds[i]->events, usb);
    libusb_free_pollfds(fds);
    libusb_set_pollfd_notifiers(usb->context, watch, unwatch, usb);
    *out = usb;
    return 0;
}

int usb_fd(const struct usb *usb)
{
    return usb->epoll;
}

void usb_stop(struct usb *usb)
{
    if (usb == NULL)
        return;
    libusb_exit(usb->context);
    close(usb->epoll);
    free(usb);
}

/* --- closing ----------------------------------------------------------------------------------------- */

/* Nothing is on its way any more: the interface goes back to the kernel's driver, the memory away. */
static void port_free(struct usb_port *port)
{
    struct usb_port **link = &port->usb->ports;

    while (*link && *link != port)
        link = &(*link)->next;
    if (*link)
        *link = port->next;
    libusb_free_transfer(port->control);
    libusb_free_transfer(port->order);
    for (int i = 0; i < READS; i++) {
        if (port->reads[i])
            free(port->reads[i]->buffer);
        libusb_free_transfer(port->reads[i]);
    }
    if (port->claimed)
        libusb_release_interface(port->handle, port->interface);
    if (port->handle)
        libusb_close(port->handle);
    free(port);
}

static void finish(struct usb_port *port)
{
    const struct usb_listener *listener = port->listener;
    void *context = port->context;

    port_free(port);
    listener->closed(context);
}

/* What callbacks have found is told here, where ports may come and go. */
static void sweep(struct usb *usb)
{
    struct usb_port *next;

    for (struct usb_port *port = usb->ports; port; port = next) {
        if (port->lost && !port->told && !port->closing) {
            port->told = true;
            port->listener->lost(port->context, port->lost, port->why.text);
        }
        next = port->next;
        if (port->closing && port->in_flight == 0)
            finish(port);
    }
}

void usb_handle(struct usb *usb)
{
    struct timeval at_once = {0, 0};

    usb->handling = true;
    libusb_handle_events_timeout_completed(usb->context, &at_once, NULL);
    usb->handling = false;
    sweep(usb);
}

void usb_close(struct usb_port *port)
{
    port->closing = true;
    libusb_cancel_transfer(port->control);      /* those that are not on their way do not mind */
    libusb_cancel_transfer(port->order);
    for (int i = 0; i < READS; i++)
        libusb_cancel_transfer(port->reads[i]);
    /* in_flight reaches 0 in usb_handle, and sweep does the rest */
}

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

/* --- reading ----------------------------------------------------------------------------------------- */

/* A transfer that brought nothing.  True: it may be tried again. */
static bool survived(struct usb_port *port, enum libusb_transfer_status status)
{
    switch (status) {
    case LIBUSB_TRANSFER_CANCELLED:
        return false;
    case LIBUSB_TRANSFER_NO_DEVICE:
        lose(port, -ENODEV, "it was unplugged");
        return false;
    case LIBUSB_TRANSFER_STALL:
        port->stalled = true;
        break;
    default:
        break;
    }
    if (++port->errors_in_row < ERRORS_IN_ROW)
        return true;
    lose(port, -EIO, status == LIBUSB_TRANSFER_STALL      ? "it refuses to be read; unplug it and plug it in again"
                     : status == LIBUSB_TRANSFER_OVERFLOW ? "it sends more than it announced"
                                                          : "the USB bus reports errors; try another cable or port");
    return false;
}

static void LIBUSB_CALL on_read(struct libusb_transfer *transfer)
{
    struct usb_port *port = transfer->user_data;

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
    if (port->stalled) {
        /* The kernel resets its side too, so this cannot be a transfer of our own; it takes a millisecond. */
        port->stalled = false;
        libusb_clear_halt(port->handle, port->endpoint);
    }
    submit(port, transfer);
}

static void start_reading(struct usb_port *port)
{
    port->step = STEP_READ;
    for (int i = 0; i < READS; i++)
        submit(port, port->reads[i]);
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

    if (transfer->status == LIBUSB_TRANSFER_NO_DEVICE)
        lose(port, -ENODEV, "it was unplugged");
    else if (transfer->status != LIBUSB_TRANSFER_COMPLETED)
        lose(port, -EIO, "it does not say what it is; unplug it and plug it in again");
    else if (port->listener->described(port->context, libusb_control_transfer_get_data(port->control),
                                       (size_t)transfer->actual_length, &port->why) < 0)
        port->lost = -EIO;
    else
        ask(port, TO_INTERFACE, SET_IDLE, 0, 0);
    port->step = STEP_IDLE;
}

/* After the descriptor: SET_IDLE so that it reports what changes and when it likes, the boot protocol for
 * keyboards.  Both may be refused. */
static void LIBUSB_CALL on_control(struct libusb_transfer *transfer)
{
    struct usb_port *port = transfer->user_data;

    port->in_flight--;
    if (port->closing || port->lost || transfer->status == LIBUSB_TRANSFER_CANCELLED)
        return;
    if (port->step == STEP_DESCRIBE) {
        describe(port);
    } else if (port->step == STEP_IDLE && port->boot_keyboard) {
        port->step = STEP_PROTOCOL;
        ask(port, TO_INTERFACE, SET_PROTOCOL, 0, 0);
    } else {
        start_reading(port);
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

/* --- opening ----------------------------------------------------------------------------------------- */

static int explain(int error, struct usb_place place, struct why *why)
{
    switch (error) {
    case LIBUSB_ERROR_ACCESS:
        return why_set(why, -EACCES, "no permission to open /dev/bus/usb/%03u/%03u; install the udev rules of poise, "
                       "or join the group poise and log in again", place.bus, place.address);
    case LIBUSB_ERROR_BUSY:
        return why_set(why, -EBUSY, "another program reads it; close it there");
    case LIBUSB_ERROR_NO_DEVICE: case LIBUSB_ERROR_NOT_FOUND:
        return why_set(why, -ENODEV, "it was unplugged");
    case LIBUSB_ERROR_NO_MEM:
        return why_set(why, -ENOMEM, "no memory for a USB device");
    default:
        return why_set(why, -EIO, "it cannot be opened: %s", libusb_strerror(error));
    }
}

/* The length of the report descriptor, out of the HID descriptor that follows the interface's (6.2.1). */
static uint16_t report_descriptor_length(const struct libusb_interface_descriptor *interface)
{
    const uint8_t *extra = interface->extra;

    for (int at = 0; at + 2 <= interface->extra_length && extra[at] >= 2; at += extra[at])
        if (extra[at + 1] == DESCRIPTOR_HID && extra[at] >= 9 && at + 9 <= interface->extra_length &&
            extra[at + 6] == DESCRIPTOR_REPORT)
            return (uint16_t)(extra[at + 7] | extra[at + 8] << 8);
    return 0;
}

static int read_interface(struct usb_port *port, const struct libusb_interface_descriptor *interface)
{
    for (int i = 0; i < interface->bNumEndpoints; i++) {
        const struct libusb_endpoint_descriptor *endpoint = &interface->endpoint[i];

        if ((endpoint->bmAttributes & LIBUSB_TRANSFER_TYPE_MASK) != LIBUSB_TRANSFER_TYPE_INTERRUPT ||
            !(endpoint->bEndpointAddress & LIBUSB_ENDPOINT_IN))
            continue;
        port->endpoint = endpoint->bEndpointAddress;
        port->packet_size = endpoint->wMaxPacketSize & 0x7ff;
        port->descriptor_length = report_descriptor_length(interface);
        port->boot_keyboard = interface->bInterfaceSubClass == SUBCLASS_BOOT &&
                              interface->bInterfaceProtocol == PROTOCOL_KEYBOARD;
    }
    return port->packet_size > 0 && port->descriptor_length > 0 && port->descriptor_length <= DESCRIPTOR_MOST
               ? 0 : LIBUSB_ERROR_NOT_SUPPORTED;
}

static int find_interface(struct usb_port *port, libusb_device *device)
{
    struct libusb_config_descriptor *config;
    int error = libusb_get_active_config_descriptor(device, &config);

    if (error < 0)
        return error;
    error = LIBUSB_ERROR_NOT_FOUND;
    for (int i = 0; i < config->bNumInterfaces; i++)
        if (config->interface[i].num_altsetting > 0 &&
            config->interface[i].altsetting[0].bInterfaceNumber == port->interface)
            error = read_interface(port, &config->interface[i].altsetting[0]);
    libusb_free_config_descriptor(config);
    return error;
}

static int open_device(struct usb_port *port, struct usb_place place)
{
    libusb_device **list;
    ssize_t count = libusb_get_device_list(port->usb->context, &list);
    int error = LIBUSB_ERROR_NO_DEVICE;

    if (count < 0)
        return (int)count;
    for (ssize_t i = 0; i < count; i++) {
        if (libusb_get_bus_number(list[i]) != place.bus || libusb_get_device_address(list[i]) != place.address)
            continue;
        error = find_interface(port, list[i]);
        if (error == 0)
            error = libusb_open(list[i], &port->handle);
    }
    libusb_free_device_list(list, 1);
    return error;
}

static int make_transfers(struct usb_port *port)
{
    port->control = libusb_alloc_transfer(0);
    port->order = libusb_alloc_transfer(0);
    for (int i = 0; i < READS; i++) {
        uint8_t *buffer = malloc(port->packet_size);

        port->reads[i] = libusb_alloc_transfer(0);
        if (port->reads[i] == NULL || buffer == NULL) {
            free(buffer);
            return LIBUSB_ERROR_NO_MEM;
        }
        libusb_fill_interrupt_transfer(port->reads[i], port->handle, port->endpoint, buffer, (int)port->packet_size,
                                       on_read, port, 0);
    }
    return port->control && port->order ? 0 : LIBUSB_ERROR_NO_MEM;
}

int usb_open(struct usb_port **out, struct usb *usb, struct usb_place place,
             const struct usb_listener *listener, void *context, struct why *why)
{
    struct usb_port *port = calloc(1, sizeof *port);
    int error;

    if (port == NULL)
        return why_set(why, -ENOMEM, "no memory for a USB device");
    port->usb = usb;
    port->listener = listener;
    port->context = context;
    port->interface = place.interface;
    error = open_device(port, place);
    if (error == 0)
        error = make_transfers(port);
    if (error == 0) {
        libusb_set_auto_detach_kernel_driver(port->handle, 1);
        error = libusb_claim_interface(port->handle, place.interface);
    }
    if (error == 0) {
        port->claimed = true;
        ask(port, FROM_INTERFACE, GET_DESCRIPTOR, DESCRIPTOR_REPORT << 8, port->descriptor_length);
        error = port->lost == -ENODEV ? LIBUSB_ERROR_NO_DEVICE : port->lost ? LIBUSB_ERROR_IO : 0;
    }
    if (error < 0) {
        port_free(port);
        return explain(error, place, why);
    }
    port->next = usb->ports;
    usb->ports = port;
    *out = port;
    return 0;
}
