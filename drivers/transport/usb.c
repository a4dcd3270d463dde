/* USB instruments by libusb: opening, closing and the loop; see usb.h.  What is sent and read is in usb_transfers.c. */
#include "usb_parts.h"

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/epoll.h>
#include <unistd.h>

enum { SUBCLASS_BOOT = 1, PROTOCOL_KEYBOARD = 1 }; /* USB HID 1.11, 4.2 and 4.3 */

/* --- libusb and the loop --------------------------------------------------------------------------- */

static void LIBUSB_CALL watch(int fd, short events, void *context)
{
    struct usb *usb = context;
    struct epoll_event event = { .events = (uint32_t)events, .data.fd = fd }; /* POLLIN and EPOLLIN are one */

    epoll_ctl(usb->epoll, EPOLL_CTL_ADD, fd, &event);
    if (usb->opening && events & POLLOUT) /* which is what usbfs says when a transfer is over */
        usb->opening->fd = fd;
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
    for (int i = 0; i < USB_READS; i++) {
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

/* What callbacks have found is reported here, where ports may come and go. */
static void sweep(struct usb *usb)
{
    struct usb_port *next;

    for (struct usb_port *port = usb->ports; port; port = next) {
        if (port->lost && !port->reported && !port->closing) {
            port->reported = true;
            port->listener->lost(port->context, port->lost, port->why.text);
        }
        next = port->next;
        if (port->closing && port->in_flight == 0)
            finish(port);
    }
}

void usb_handle(struct usb *usb)
{
    struct timeval at_once = { 0, 0 };

    usb->handling = true;
    libusb_handle_events_timeout_completed(usb->context, &at_once, NULL);
    usb->handling = false;
    sweep(usb);
}

void usb_close(struct usb_port *port)
{
    port->closing = true;
    libusb_cancel_transfer(port->control); /* those that are not on their way do not mind */
    libusb_cancel_transfer(port->order);
    for (int i = 0; i < USB_READS; i++)
        if (port->reads[i])
            libusb_cancel_transfer(port->reads[i]);
    /* in_flight reaches 0 in usb_handle, and sweep does the rest */
}

/* --- opening ----------------------------------------------------------------------------------------- */

static int explain(int error, struct usb_place place, struct why *why)
{
    switch (error) {
    case LIBUSB_ERROR_ACCESS:
        return why_set(why, -EACCES,
                       "no permission to open /dev/bus/usb/%03u/%03u; install the udev rules of poise, "
                       "or join the group poise and log in again",
                       place.bus, place.address);
    case LIBUSB_ERROR_BUSY:
        return why_set(why, -EBUSY, "another program reads it; close it there");
    case LIBUSB_ERROR_NO_DEVICE:
    case LIBUSB_ERROR_NOT_FOUND:
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
        if (extra[at + 1] == USB_DESCRIPTOR_HID && extra[at] >= 9 && at + 9 <= interface->extra_length
            && extra[at + 6] == USB_DESCRIPTOR_REPORT)
            return (uint16_t)(extra[at + 7] | extra[at + 8] << 8);
    return 0;
}

static int read_interface(struct usb_port *port, const struct libusb_interface_descriptor *interface)
{
    for (int i = 0; i < interface->bNumEndpoints; i++) {
        const struct libusb_endpoint_descriptor *endpoint = &interface->endpoint[i];

        if ((endpoint->bmAttributes & LIBUSB_TRANSFER_TYPE_MASK) != LIBUSB_TRANSFER_TYPE_INTERRUPT
            || !(endpoint->bEndpointAddress & LIBUSB_ENDPOINT_IN))
            continue;
        port->endpoint = endpoint->bEndpointAddress;
        port->packet_size = endpoint->wMaxPacketSize & 0x7ff;
        port->descriptor_length = report_descriptor_length(interface);
        port->boot_keyboard =
            interface->bInterfaceSubClass == SUBCLASS_BOOT && interface->bInterfaceProtocol == PROTOCOL_KEYBOARD;
    }
    return port->packet_size > 0 && port->descriptor_length > 0 && port->descriptor_length <= USB_DESCRIPTOR_MOST
               ? 0
               : LIBUSB_ERROR_NOT_SUPPORTED;
}

static int find_interface(struct usb_port *port, libusb_device *device)
{
    struct libusb_config_descriptor *config;
    int error = libusb_get_active_config_descriptor(device, &config);

    if (error < 0)
        return error;
    error = LIBUSB_ERROR_NOT_FOUND;
    for (int i = 0; i < config->bNumInterfaces; i++)
        if (config->interface[i].num_altsetting > 0
            && config->interface[i].altsetting[0].bInterfaceNumber == port->interface)
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
        if (error < 0)
            continue;
        port->usb->opening = port;
        error = libusb_open(list[i], &port->handle);
        port->usb->opening = NULL;
    }
    libusb_free_device_list(list, 1);
    return error;
}

int usb_give_to_kernel(struct usb *usb, struct usb_place place)
{
    struct usb_port port = { .usb = usb, .interface = place.interface, .fd = -1 };
    int error = open_device(&port, place);

    if (error == 0)
        error = libusb_attach_kernel_driver(port.handle, place.interface);
    if (port.handle)
        libusb_close(port.handle);
    return error == 0 ? 0 : error == LIBUSB_ERROR_ACCESS ? -EACCES : error == LIBUSB_ERROR_BUSY ? -EBUSY : -EIO;
}

static int make_transfers(struct usb_port *port)
{
    port->control = libusb_alloc_transfer(0);
    port->order = libusb_alloc_transfer(0);
    return port->control && port->order ? 0 : LIBUSB_ERROR_NO_MEM;
}

int usb_open(struct usb_port **out, struct usb *usb, struct usb_place place, const struct usb_listener *listener,
             void *context, struct why *why)
{
    struct usb_port *port = calloc(1, sizeof *port);
    int error;

    if (port == NULL)
        return why_set(why, -ENOMEM, "no memory for a USB device");
    port->usb = usb;
    port->listener = listener;
    port->context = context;
    port->interface = place.interface;
    port->fd = -1;
    error = open_device(port, place);
    if (error == 0)
        error = make_transfers(port);
    if (error == 0) {
        libusb_set_auto_detach_kernel_driver(port->handle, 1);
        error = libusb_claim_interface(port->handle, place.interface);
    }
    if (error == 0) {
        port->claimed = true;
        usb_begin(port);
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
