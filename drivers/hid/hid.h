/* HID report descriptors: which fields the reports of a device have (USB HID 1.11, 6.2.2).
 * Nothing here asks a device. */
#ifndef POISE_HID_H
#define POISE_HID_H

#include <stddef.h>
#include <stdint.h>

enum hid_kind { HID_INPUT = 1, HID_OUTPUT = 2, HID_FEATURE = 3 }; /* as GET_REPORT counts them (7.2.1) */

enum { HID_USAGES_MOST = 16 };

/* One input, output or feature item. */
struct hid_field {
    enum hid_kind kind;
    uint8_t report_id;                /* 0: the device's reports carry none */
    uint32_t collection;              /* usage of the innermost collection, page in the upper half */
    uint32_t usages[HID_USAGES_MOST]; /* those named one by one, page in the upper half */
    int usage_count;
    uint32_t bit_offset; /* in the report, behind its ID */
    uint32_t bits, count;
};

/* A feature report that is asked for once: its ID, and its bytes with the ID. */
struct hid_feature {
    uint8_t report_id, length;
};

/* Calls `field` for each, with its context.  Returns 0, or -EINVAL when this is no descriptor. */
int hid_walk(const uint8_t *descriptor, size_t length, void (*field)(void *context, const struct hid_field *field),
             void *context);

/* Bytes of the longest input report, its ID included; 0: there is none, or this is no descriptor. */
size_t hid_longest_input(const uint8_t *descriptor, size_t length);

/* The usage of the first top-level collection, page in the upper half; 0: there is none. */
uint32_t hid_application(const uint8_t *descriptor, size_t length);

#endif
