/* USB scales taken without being configured; see scales.h. */
#include "scales.h"

#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Fit for a configuration file: a device may call itself anything. */
static bool is_plain(const char *serial)
{
    for (; *serial; serial++)
        if (!isgraph((unsigned char)*serial) || *serial == ';' || *serial == '#')
            return false;
    return true;
}

/* Cheap ones come with the same serial number in every box: then only the place distinguishes them. */
static bool has_own_serial(const struct usb_found *found, const struct usb_found *list, int count)
{
    for (int i = 0; i < count; i++)
        if (&list[i] != found && list[i].vendor == found->vendor && list[i].product == found->product
            && strcmp(list[i].serial, found->serial) == 0)
            return false;
    return found->serial[0] != '\0' && is_plain(found->serial);
}

struct scale scale_section(const char *kind, const struct usb_found *found, const struct usb_found *list, int count)
{
    bool own_serial = has_own_serial(found, list, count);
    const char *text = own_serial ? found->serial : found->port;
    struct scale scale = { .seen = *found };
    size_t length = (size_t)snprintf(scale.name, sizeof scale.name, "%s-", kind);

    for (; *text && length < sizeof scale.name - 1; text++)
        scale.name[length++] = isalnum((unsigned char)*text) ? (char)tolower((unsigned char)*text) : '-';
    if (own_serial)
        snprintf(scale.port, sizeof scale.port, "usb:%04x:%04x:%s", found->vendor, found->product, found->serial);
    else
        snprintf(scale.port, sizeof scale.port, "usb-port:%s", found->port);
    return scale;
}

static bool is_alike(const struct usb_found *a, const struct usb_found *b)
{
    return a->vendor == b->vendor && a->product == b->product && strcmp(a->serial, b->serial) == 0;
}

static bool is_there(const struct scale *scale, const struct usb_found *found, int count)
{
    for (int i = 0; i < count; i++)
        if (is_alike(&scale->seen, &found[i]) && strcmp(scale->seen.port, found[i].port) == 0)
            return true;
    return false;
}

/* The one among those noted that this is; NULL: a new one.  One that nothing but its place distinguishes is the one
 * that was at that place; else, when just one of its kind is missing, it is that one, plugged in elsewhere. */
static struct scale *find(struct scales *scales, const struct scale *scale, const struct usb_found *found, int count)
{
    struct scale *missing = NULL;
    int missing_count = 0;

    for (int i = 0; i < scales->count; i++)
        if (strcmp(scales->list[i].port, scale->port) == 0)
            return &scales->list[i];
    for (int i = 0; i < scales->count; i++)
        if (is_alike(&scales->list[i].seen, &scale->seen) && strcmp(scales->list[i].seen.port, scale->seen.port) == 0)
            return &scales->list[i];
    for (int i = 0; i < scales->count; i++)
        if (is_alike(&scales->list[i].seen, &scale->seen) && !is_there(&scales->list[i], found, count)) {
            missing = &scales->list[i];
            missing_count++;
        }
    return missing_count == 1 ? missing : NULL;
}

/* A place may have lent its name to one that has moved on. */
static void make_name_unique(const struct scales *scales, struct scale *scale)
{
    size_t length = strlen(scale->name), most = sizeof scale->name - sizeof "-99";

    if (length > most)
        length = most;
    for (int i = 0, number = 2; i < scales->count; i++)
        if (strcmp(scales->list[i].name, scale->name) == 0) {
            snprintf(scale->name + length, sizeof scale->name - length, "-%d", number++);
            i = -1; /* look at all of them again */
        }
}

static bool note(struct scales *scales, struct scale *scale, const struct usb_found *found, int count)
{
    struct scale *known = find(scales, scale, found, count);
    bool changed = false;

    if (known == NULL && scales->count < SCALES_MOST) {
        make_name_unique(scales, scale);
        scales->list[scales->count++] = *scale;
        return true;
    }
    if (known == NULL)
        return false;
    /* by its serial number as long as that is its own; then by its place, which no twin has */
    if (strncmp(scale->port, "usb-port:", 9) == 0 && strcmp(known->port, scale->port) != 0) {
        strcpy(known->port, scale->port);
        changed = true;
    }
    known->seen = scale->seen;
    return changed;
}

bool scales_note(struct scales *scales, const struct usb_found *found, int count)
{
    bool changed = false;

    for (int i = 0; i < count; i++)
        if (found[i].scale == 1) {
            struct scale scale = scale_section("scale", &found[i], found, count);

            changed = note(scales, &scale, found, count) || changed;
        }
    return changed;
}

int scales_add(const struct scales *scales, struct config *config, struct why *why)
{
    struct instrument_config *sections;

    if (scales->count == 0)
        return 0;
    sections =
        reallocarray(config->instruments, (size_t)config->instrument_count + (size_t)scales->count, sizeof *sections);
    if (sections == NULL)
        return why_set(why, -ENOMEM, "no memory for %d scales", scales->count);
    config->instruments = sections;
    for (int i = 0; i < scales->count; i++) {
        struct instrument_config *section = &sections[config->instrument_count++];

        *section = (struct instrument_config){ .driver = "hid-scale",
                                               .port = scales->list[i].port,
                                               .quantity = QUANTITY_MASS };
        memcpy(section->name, scales->list[i].name, sizeof section->name);
        if (i == 0 && config->station_count == 1)
            memcpy(section->station, config->stations[0].name, sizeof section->station);
    }
    return 0;
}
