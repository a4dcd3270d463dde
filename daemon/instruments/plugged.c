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
    int vendor, product;          /* -1: not on USB */
    const char *detail, *section; /* NULL: none */
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
        if (strcmp(config->instruments[i].port, path) == 0
            || (serial_resolve(config->instruments[i].port, real, sizeof real) == 0 && strcmp(real, path) == 0))
            return true;
    return false;
}

static void write_serial(const struct serial_found *found, bool first, struct text *out)
{
    char link[PATH_MAX], detail[PATH_MAX + 128];
    const char *port = serial_lasting_path(found->path, link, sizeof link);

    snprintf(detail, sizeof detail,
             "it has no section; if it is an instrument, `poise-ctl probe %s` finds out which "
             "and prints its section",
             port);
    write_candidate(&(struct candidate){ .kind = "serial",
                                         .port = port,
                                         .title = found->title,
                                         .vendor = found->vendor,
                                         .product = found->product,
                                         .detail = detail },
                    first, out);
}

static bool usb_is_configured(const struct config *config, const struct usb_found *found)
{
    for (int i = 0; i < config->instrument_count; i++)
        if (usb_names(config->instruments[i].port, found))
            return true;
    return false;
}

static const char scale_detail[] = "a scale that no section names; paste its section";
static const char keyboard_detail[] = "a keyboard without a section; paste its section only if it is an instrument "
                                      "that types: then its keys reach no other program";

static void write_usb(const struct config *config, const struct usb_found *found, const struct usb_found *list,
                      int count, bool first, struct text *out)
{
    const char *station = config_station_without_scale(config, 0);
    bool scale = found->scale == 1;
    struct scale named = scale_section(scale ? "scale" : "reader", found, list, count);
    char section[320];

    snprintf(section, sizeof section, "[instrument %s]\ndriver   = %s\nport     = %s\nquantity = %s%s\n", named.name,
             scale ? "hid-scale" : "hid-keyboard", named.port,
             !scale    ? "strength                  ; or brix, mass, ...: what it types"
             : station ? "mass\nstation  = "
                       : "mass\n;station = NAME                  ; a [station] of its own",
             scale && station ? station : "");
    write_candidate(&(struct candidate){ .kind = scale ? "scale" : "keyboard",
                                         .port = named.port,
                                         .title = found->title,
                                         .vendor = found->vendor,
                                         .product = found->product,
                                         .detail = scale ? scale_detail : keyboard_detail,
                                         .section = section },
                    first, out);
}

void plugged_write(const struct config *config, struct text *out)
{
    struct usb_found found[USB_FOUND_MOST];
    struct serial_found ports[SERIAL_FOUND_MOST];
    int count = hotplug_look(found), port_count = hotplug_look_serial(ports);
    bool first = true;

    text_add(out, "[", 1);
    for (int i = 0; i < port_count; i++)
        if (!serial_is_configured(config, ports[i].path)) {
            write_serial(&ports[i], first, out);
            first = false;
        }
    for (int i = 0; i < count; i++)
        if ((found[i].scale == 1 || found[i].keyboard == 1) && !usb_is_configured(config, &found[i])) {
            write_usb(config, &found[i], found, count, first, out);
            first = false;
        }
    text_add(out, "]", 1);
}
