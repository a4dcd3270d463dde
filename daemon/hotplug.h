/* Which USB instruments are plugged in, and word of every change; by udev.  Opens no device. */
#ifndef POISE_HOTPLUG_H
#define POISE_HOTPLUG_H

#include <stdbool.h>
#include <stdint.h>
#include <uv.h>

#include "poise/why.h"
#include "transport/usb.h"

enum { USB_FOUND_MOST = 64 };       /* HID interfaces on one computer; more are not looked at */

/* One HID interface. */
struct usb_found {
    struct usb_place place;
    uint16_t vendor, product;
    char serial[64];            /* empty: it has none */
    char port[32];              /* where it is plugged in: 1-1.2 */
    char title[64];             /* what it calls itself; may be empty */
    signed char scale, keyboard;        /* 1, 0; -1: not known before it is opened */
};

/* Finds the one interface that a port of the configuration names: usb:VID:PID, usb:VID:PID:SERIAL or
 * usb-port:1-1.2.  0, -ENODEV when it is not there, -EINVAL when the words make no sense, -ENOTUNIQ with the list of
 * candidates when they fit several. */
int hotplug_choose(const struct usb_found *list, int count, const char *port, bool keyboard, struct usb_found *out,
                   struct why *why);

/* 0, or -EINVAL with a sentence. */
int hotplug_check_port(const char *port, struct why *why);

struct hotplug;

/* Tells `changed` whenever something came or went.  0, or a negative errno with a sentence. */
int hotplug_open(struct hotplug **out, uv_loop_t *loop, void (*changed)(void *context), void *context,
                 struct why *why);

/* The HID interfaces that are there now; their count. */
int hotplug_list(struct hotplug *hotplug, struct usb_found list[USB_FOUND_MOST]);

/* The loop must run until `closed` is called. */
void hotplug_close(struct hotplug *hotplug, void (*closed)(void *context));

#endif
