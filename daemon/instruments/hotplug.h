/* Which USB instruments and serial ports are plugged in, and word of every change; by udev.  Opens no device. */
#ifndef POISE_HOTPLUG_H
#define POISE_HOTPLUG_H

#include <uv.h>

#include "poise/why.h"
#include "transport/usb_choice.h"

struct hotplug;

/* Reports `changed` whenever something came or went.  0, or a negative errno with a sentence. */
int hotplug_open(struct hotplug **out, uv_loop_t *loop, void (*changed)(void *context), void *context, struct why *why);

/* The HID interfaces that are there now; their count. */
int hotplug_list(struct hotplug *hotplug, struct usb_found list[USB_FOUND_MOST]);

/* The same for once, without waiting for changes. */
int hotplug_look(struct usb_found list[USB_FOUND_MOST]);

/* True while udev has not done with everything that was plugged in. */
bool hotplug_is_busy(void);

/* The node came or changed a moment ago: udev has perhaps not yet said whose it is. */
bool hotplug_node_is_fresh(const char *path);

enum { SERIAL_FOUND_MOST = 64 }; /* more adapters than any bench has */

struct serial_found {
    char path[64];       /* /dev/ttyUSB0 */
    int vendor, product; /* -1: not on USB */
    char title[64];      /* what the adapter calls itself; may be empty */
};

/* The serial ports that are there now; their count. */
int hotplug_look_serial(struct serial_found list[SERIAL_FOUND_MOST]);

/* The loop must run until `closed` (may be NULL) is called. */
void hotplug_close(struct hotplug *hotplug, void (*closed)(void *context));

#endif
