/* What is plugged in and not configured; see plugged.h. */
#include "plugged.h"

#include <limits.h>
#include <stdio.h>
#include <string.h>

#include "hotplug.h"
#include "scales.h"
#include "transport/serial.h"

struct candidate {
    const char *kind, *port, *title;
    int vendor, product;        /* -1: not on USB */
    const char *detail, *section;       /* NULL: none */
};

static void write_candidate(const struct candidate *candidate, bool first, struct text *out)
{
    text_print(out, "%s{\"kind\":\"%s\",\"port\":", first ? "" : ",", candidate->kind);
    text_string(out, candidate->port);
    if (candidate->vendor >= 0)
        text_print(out, ",\"usb\":\"%04x:%04x\",\"title\":", candidate->vendor, candidate->product);
    else
        text_print(out, ",\"usb\":null,\"title\":");
    text_string(out, candidate->title);
    text_print(out, ",\"detail\":");
    text_string(out, candidate->detail);
    text_print(out, ",\"section\":");
    if (candidate->section)
        text_string(out, candidate->section);
    else
        text_add(out, "null", 4);
    text_add(out, "}", 1);
}

static bool serial_is_configured(const struct config *config, const char *path)
{
    char real[PATH_MAX];

    for (int i = 0; i < config->instrument_count; i++)
        if (strcmp(config->instruments[i].port, path) == 0 ||
            (serial_resolve(config->instruments[i].port, real, sizeof real) == 0 && strcmp(real, path) == 0))
            return true;
    return false;
}

static void write_serial(const char *path, bool first, struct text *out)
{
    struct serial_description description;
    char link[PATH_MAX], detail[PATH_MAX + 128];
    const char *port = serial_lasting_path(path, link, sizeof link);

    serial_describe(path, &description);
    snprintf(detail, sizeof detail, "no section names it; if an instrument is behind it, `poise-ctl probe %s` says which, "
             "and prints its section", port);
    write_candidate(&(struct candidate){.kind = "serial", .port = port, .title = description.title,
                                        .vendor = description.vendor, .product = description.product,
                                        .detail = detail}, first, out);
}

static bool usb_is_configured(const struct config *config, const struct usb_found *found)
{
    for (int i = 0; i < config->instrument_count; i++)
        if (usb_names(config->instruments[i].port, found))
            return true;
    return false;
}

static void write_usb(const struct usb_found *found, const struct usb_found *list, int count, bool first,
                      struct text *out)
{
    bool scale = found->scale == 1;
    struct scale named = scale_section(scale ? "scale" : "reader", found, list, count);
    char section[256];

    snprintf(section, sizeof section, "[instrument %s]\ndriver   = %s\nport     = %s\nquantity = %s\n", named.name,
             scale ? "hid-scale" : "hid-keyboard", named.port,
             scale ? "mass\n;station = left                  ; the station that it stands at"
                   : "strength                  ; or brix, mass, ...: what it types");
    write_candidate(&(struct candidate){.kind = scale ? "scale" : "keyboard", .port = named.port, .title = found->title,
                                        .vendor = found->vendor, .product = found->product,
                                        .detail = scale ? "a scale that no section names; paste its section"
                                                        : "a keyboard, which no section names; only if it is an instrument "
                                                          "that types, paste its section: then its keys reach nobody else",
                                        .section = section}, first, out);
}

void plugged_write(const struct config *config, struct text *out)
{
    struct usb_found found[USB_FOUND_MOST];
    int count = hotplug_look(found);
    char **ports = NULL;
    bool first = true;
    struct why why;

    text_add(out, "[", 1);
    if (serial_list(&ports, &why) < 0)
        ports = NULL;
    for (char **port = ports; port && *port; port++)
        if (!serial_is_configured(config, *port)) {
            write_serial(*port, first, out);
            first = false;
        }
    serial_list_free(ports);
    for (int i = 0; i < count; i++)
        if ((found[i].scale == 1 || found[i].keyboard == 1) && !usb_is_configured(config, &found[i])) {
            write_usb(&found[i], found, count, first, out);
            first = false;
        }
    text_add(out, "]", 1);
}
