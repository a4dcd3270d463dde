/* Which USB device a port of the configuration means.  Pure: the list comes from elsewhere (hotplug.h). */
#ifndef POISE_USB_CHOICE_H
#define POISE_USB_CHOICE_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/why.h"
#include "usb.h"

enum { USB_FOUND_MOST = 64 }; /* HID interfaces on one computer; more are not looked at */

/* One HID interface. */
struct usb_found {
    struct usb_place place;
    uint16_t vendor, product;
    char serial[64];             /* empty: it has none */
    char port[32];               /* where it is plugged in: 1-1.2 */
    char title[64];              /* what it calls itself; may be empty */
    signed char scale, keyboard; /* 1, 0; -1: not known before it is opened */
    bool unbound;                /* no driver of the kernel has it */
};

/* Finds the one interface that a port of the configuration names: usb:VID:PID, usb:VID:PID:SERIAL or
 * usb-port:1-1.2.  0, -ENODEV when it is not there, -EINVAL when the words make no sense, -ENOTUNIQ with the list of
 * candidates when they fit several. */
int usb_choose(const struct usb_found *list, int count, const char *port, bool keyboard, struct usb_found *out,
               struct why *why);

/* True when these words name this device, whatever kind it is and whether they fit others, too. */
bool usb_names(const char *port, const struct usb_found *found);

/* 0, or -EINVAL with a sentence. */
int usb_check_port(const char *port, struct why *why);

#endif
