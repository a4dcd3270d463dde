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

/* Cheap ones come with the same serial number in every box: then only the place tells them apart. */
static bool has_own_serial(const struct usb_found *found, const struct usb_found *list, int count)
{
    for (int i = 0; i < count; i++)
        if (&list[i] != found && list[i].vendor == found->vendor && list[i].product == found->product &&
            strcmp(list[i].serial, found->serial) == 0)
            return false;
    return found->serial[0] != '\0' && is_plain(found->serial);
}

struct scale scale_section(const char *kind, const struct usb_found *found, const struct usb_found *list, int count)
{
    bool own_serial = has_own_serial(found, list, count);
    const char *text = own_serial ? found->serial : found->port;
    struct scale scale = {.name = ""};
    size_t length = (size_t)snprintf(scale.name, sizeof scale.name, "%s-", kind);

    for (; *text && length < sizeof scale.name - 1; text++)
        scale.name[length++] = isalnum((unsigned char)*text) ? (char)tolower((unsigned char)*text) : '-';
    if (own_serial)
        snprintf(scale.port, sizeof scale.port, "usb:%04x:%04x:%s", found->vendor, found->product, found->serial);
    else
        snprintf(scale.port, sizeof scale.port, "usb-port:%s", found->port);
    return scale;
}

static bool is_known(const struct scales *scales, const struct scale *scale)
{
    for (int i = 0; i < scales->count; i++)
        if (strcmp(scales->list[i].port, scale->port) == 0 || strcmp(scales->list[i].name, scale->name) == 0)
            return true;
    return false;
}

bool scales_note(struct scales *scales, const struct usb_found *found, int count)
{
    int before = scales->count;

    for (int i = 0; i < count && scales->count < SCALES_MOST; i++) {
        struct scale scale;

        if (found[i].scale != 1)
            continue;
        scale = scale_section("scale", &found[i], found, count);
        if (!is_known(scales, &scale))
            scales->list[scales->count++] = scale;
    }
    return scales->count > before;
}

int scales_add(const struct scales *scales, struct config *config, struct why *why)
{
    struct instrument_config *sections;

    if (scales->count == 0)
        return 0;
    sections = reallocarray(config->instruments, (size_t)(config->instrument_count + scales->count), sizeof *sections);
    if (sections == NULL)
        return why_set(why, -ENOMEM, "no memory for %d scales", scales->count);
    config->instruments = sections;
    for (int i = 0; i < scales->count; i++) {
        struct instrument_config *section = &sections[config->instrument_count++];

        *section = (struct instrument_config){.driver = "hid-scale", .port = scales->list[i].port,
                                              .quantity = QUANTITY_MASS};
        memcpy(section->name, scales->list[i].name, sizeof section->name);
        if (i == 0 && config->station_count == 1)
            memcpy(section->station, config->stations[0].name, sizeof section->station);
    }
    return 0;
}
