/* Which USB device is meant; see usb_choice.h. */
#include "usb_choice.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

struct wanted {
    unsigned vendor, product;
    char serial[64]; /* empty: any */
    char port[32];   /* empty: anywhere */
};

static int parse_port(const char *text, struct wanted *out, struct why *why)
{
    struct wanted wanted = { .serial = "" };
    int end = 0;

    if (strncmp(text, "usb-port:", 9) == 0) {
        size_t length = strlen(text + 9);

        if (length > 0 && length < sizeof wanted.port && strspn(text + 9, "0123456789.-") == length) {
            memcpy(wanted.port, text + 9, length + 1);
            *out = wanted;
            return 0;
        }
    } else if (sscanf(text, "usb:%4x:%4x%n", &wanted.vendor, &wanted.product, &end) == 2 && end == 13
               && (text[end] == '\0' || (text[end] == ':' && text[end + 1] != '\0'))) {
        if (text[end] == ':' && strlen(text + end + 1) < sizeof wanted.serial) {
            strcpy(wanted.serial, text + end + 1);
            *out = wanted;
            return 0;
        }
        if (text[end] == '\0') {
            *out = wanted;
            return 0;
        }
    }
    return why_set(why, -EINVAL,
                   "port = %s: write usb:VID:PID or usb:VID:PID:SERIAL with the four digits that lsusb "
                   "shows, or usb-port:1-1.2 for whatever is plugged in there",
                   text);
}

int usb_check_port(const char *port, struct why *why)
{
    struct wanted wanted;

    return parse_port(port, &wanted, why);
}

static bool is_meant(const struct usb_found *found, const struct wanted *wanted)
{
    if (wanted->port[0])
        return strcmp(found->port, wanted->port) == 0;
    return found->vendor == wanted->vendor && found->product == wanted->product
           && (wanted->serial[0] == '\0' || strcmp(found->serial, wanted->serial) == 0);
}

static bool fits(const struct usb_found *found, const struct wanted *wanted, bool keyboard)
{
    return (keyboard ? found->keyboard : found->scale) != 0 && is_meant(found, wanted);
}

bool usb_names(const char *port, const struct usb_found *found)
{
    struct wanted wanted;
    struct why why;

    return parse_port(port, &wanted, &why) == 0 && is_meant(found, &wanted);
}

/* "usb-port:1-1.2 (serial 123), usb-port:1-1.3 (serial 124)" */
static void list_candidates(const struct usb_found *list, int count, const struct wanted *wanted, bool keyboard,
                            char *out, size_t size)
{
    size_t length = 0;

    out[0] = '\0';
    for (int i = 0; i < count && length < size; i++)
        if (fits(&list[i], wanted, keyboard)) {
            bool serial = list[i].serial[0];

            length += (size_t)snprintf(out + length, size - length, "%susb-port:%s%s%s%s", length ? ", " : "",
                                       list[i].port, serial ? " (serial " : "", list[i].serial, serial ? ")" : "");
        }
}

int usb_choose(const struct usb_found *list, int count, const char *port, bool keyboard, struct usb_found *out,
               struct why *why)
{
    const struct usb_found *chosen = NULL;
    struct wanted wanted;
    char candidates[200];
    int fitting = 0, error = parse_port(port, &wanted, why);

    if (error < 0)
        return error;
    for (int i = 0; i < count; i++)
        if (fits(&list[i], &wanted, keyboard)) {
            chosen = &list[i];
            fitting++;
        }
    if (fitting == 0)
        return why_set(why, -ENODEV, "%s is not there; is the instrument plugged in and switched on?", port);
    if (fitting > 1) {
        list_candidates(list, count, &wanted, keyboard, candidates, sizeof candidates);
        return why_set(why, -ENOTUNIQ, "%s fits %d devices; name one: %s", port, fitting, candidates);
    }
    *out = *chosen;
    return 0;
}
