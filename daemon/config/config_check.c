/* What must hold between the sections of the configuration: shown when everything has been read. */
#include "config_parts.h"

#include <errno.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>

#include "transport/serial.h"
#include "transport/usb_choice.h"

static struct station_config *find_station(struct config *config, const char *name)
{
    for (int i = 0; i < config->station_count; i++)
        if (strcmp(config->stations[i].name, name) == 0)
            return &config->stations[i];
    return NULL;
}

static bool is_usb(const char *port)
{
    return strncmp(port, "usb:", 4) == 0 || strncmp(port, "usb-port:", 9) == 0;
}

/* The driver judges the keys that only it knows; its sentence may begin with the line it means. */
static void check_driver(struct config_reader *reader, const struct instrument_config *instrument)
{
    const struct driver *driver = driver_find(instrument->driver);
    void *state = calloc(1, driver->state_size ? driver->state_size : 1);
    struct why why = { "" };
    int line = 0, after = 0;

    if (!state) {
        reader->memory_error = 1;
        return;
    }
    if (driver->configure && driver->configure(state, instrument, &why) < 0) {
        if (sscanf(why.text, "line %d: %n", &line, &after) != 1 || after == 0)
            line = instrument->line;
        config_mistake(reader, line, "%s", why.text + after);
    } else if (driver->release) {
        driver->release(state);
    }
    free(state);
}

static int line_of(const struct config_reader *reader, const struct instrument_config *instrument, const char *key)
{
    return config_line_of(reader, (int)(instrument - reader->config->instruments), key);
}

/* The settings and the two lines of a serial port; each key's mistake at its own line. */
static void check_serial(struct config_reader *reader, const struct instrument_config *instrument)
{
    struct serial_settings settings;
    struct why why = { "" };

    if (serial_settings_parse(instrument->serial, &settings, &why) < 0)
        config_mistake(reader, line_of(reader, instrument, "serial"), "instrument %s: %s", instrument->name, why.text);
    if (serial_line_parse("dtr", instrument->dtr, &settings.dtr, &why) < 0)
        config_mistake(reader, line_of(reader, instrument, "dtr"), "instrument %s: %s", instrument->name, why.text);
    if (serial_line_parse("rts", instrument->rts, &settings.rts, &why) < 0)
        config_mistake(reader, line_of(reader, instrument, "rts"), "instrument %s: %s", instrument->name, why.text);
}

static void check_transport(struct config_reader *reader, const struct instrument_config *instrument)
{
    const struct driver *driver = driver_find(instrument->driver);
    struct why why = { "" };

    if (driver->transport == TRANSPORT_USB) {
        if (instrument->serial || instrument->dtr || instrument->rts)
            config_mistake(reader,
                           line_of(reader, instrument,
                                   instrument->serial ? "serial"
                                   : instrument->dtr  ? "dtr"
                                                      : "rts"),
                           "instrument %s: the driver %s is for USB; remove %s", instrument->name, driver->name,
                           instrument->serial ? "serial" : "dtr and rts");
        if (usb_check_port(instrument->port, &why) < 0)
            config_mistake(reader, line_of(reader, instrument, "port"), "instrument %s: %s", instrument->name,
                           why.text);
        return;
    }
    if (is_usb(instrument->port))
        config_mistake(reader, line_of(reader, instrument, "port"),
                       "instrument %s: the driver %s reads a serial port; write port = /dev/serial/by-id/...",
                       instrument->name, driver->name);
    check_serial(reader, instrument);
}

static void check_instrument(struct config_reader *reader, struct instrument_config *instrument)
{
    if (!instrument->driver || !instrument->port)
        return; /* named already */
    if (instrument->station[0] && !find_station(reader->config, instrument->station))
        config_mistake(reader, line_of(reader, instrument, "station"), "instrument %s: there is no [station %s]",
                       instrument->name, instrument->station);
    check_transport(reader, instrument);
    if (instrument->quantity == QUANTITY_NONE && driver_find(instrument->driver)->transport == TRANSPORT_USB)
        instrument->quantity = QUANTITY_MASS;
    if (instrument->quantity == QUANTITY_NONE)
        config_mistake(reader, instrument->line,
                       "instrument %s: quantity is missing: mass, strength, brix, refractive-index, temperature "
                       "or pressure",
                       instrument->name);
    if (instrument->weighs_line && instrument->quantity > QUANTITY_NONE && instrument->quantity < QUANTITY_COUNT
        && instrument->quantity != QUANTITY_MASS)
        config_mistake(reader, instrument->weighs_line, "instrument %s: only a scale weighs; leave weighs out",
                       instrument->name);
    else if (instrument->weighs_line && !instrument->station[0])
        config_mistake(reader, instrument->weighs_line,
                       "instrument %s: weighs needs a station: write station = NAME, or remove weighs",
                       instrument->name);
    check_driver(reader, instrument);
}

/* Two links to one port are one port. */
static char *real_port(const char *port)
{
    char real[PATH_MAX];

    return strdup(!is_usb(port) && serial_resolve(port, real, sizeof real) == 0 ? real : port);
}

struct port {
    char *real;
    const struct instrument_config *instrument;
};

static int compare_ports(const void *a, const void *b)
{
    const struct port *left = a, *right = b;
    int order = strcmp(left->real, right->real);

    return order ? order : left->instrument->line - right->instrument->line;
}

/* What to do where one line is commonly shared. */
static const char *share_words(const struct instrument_config *instrument)
{
    if (!instrument->driver || strcmp(instrument->driver, "modbus") != 0)
        return "";
    return ": several values of it go into one section with `also =`, another address needs an adapter of its own";
}

static void check_ports(struct config_reader *reader)
{
    const struct config *config = reader->config;
    struct port *ports = calloc((size_t)config->instrument_count + 1, sizeof *ports);
    int count = 0;

    if (!ports) {
        reader->memory_error = 1;
        return;
    }
    for (int i = 0; i < config->instrument_count; i++) {
        if (!config->instruments[i].port)
            continue;
        ports[count] = (struct port){ real_port(config->instruments[i].port), &config->instruments[i] };
        if (ports[count].real)
            count++;
        else
            reader->memory_error = 1;
    }
    qsort(ports, (size_t)count, sizeof *ports, compare_ports);
    for (int i = 1; i < count; i++)
        if (strcmp(ports[i].real, ports[i - 1].real) == 0)
            config_mistake(
                reader, line_of(reader, ports[i].instrument, "port"),
                "instrument %s has the port of instrument %s (line %d): %s; one port serves one instrument%s",
                ports[i].instrument->name, ports[i - 1].instrument->name, ports[i - 1].instrument->line,
                ports[i].instrument->port, share_words(ports[i].instrument));
    for (int i = 0; i < count; i++)
        free(ports[i].real);
    free(ports);
}

/* A station weighs the brew with one scale and the cup with one: two of a kind would take turns and every
 * reading would look like a lift. */
static void check_scale(struct config_reader *reader, const struct station_config *station,
                        const struct instrument_config *instrument, const struct instrument_config **same)
{
    if (*same)
        config_mistake(reader, line_of(reader, instrument, "station"),
                       "station %s has the scale %s (line %d) for the %s already; give %s a station of its own or "
                       "none, or give one of them weighs = %s",
                       station->name, (*same)->name, (*same)->line, instrument->weighs_cup ? "cup" : "brew",
                       instrument->name, instrument->weighs_cup ? "brew" : "cup");
    else
        *same = instrument;
}

static void check_station(struct config_reader *reader, struct station_config *station)
{
    const struct instrument_config *brew = NULL, *cup = NULL;

    for (int i = 0; i < reader->config->instrument_count; i++) {
        const struct instrument_config *instrument = &reader->config->instruments[i];

        if (instrument->quantity == QUANTITY_MASS && strcmp(instrument->station, station->name) == 0)
            check_scale(reader, station, instrument, instrument->weighs_cup ? &cup : &brew);
    }
    if (cup && !brew)
        config_mistake(reader, cup->weighs_line,
                       "instrument %s: station %s has no scale for the brewer beside this one; the only scale of a "
                       "station weighs the brew: leave weighs out",
                       cup->name, station->name);
    if (brew)
        station->tracker.lag_us = brew->lag_us;
    for (int i = 0; i < reader->config->cup_count; i++)
        station->tracker.cup_g[i] = reader->config->cups[i].mass_g;
    station->tracker.cup_count = reader->config->cup_count;
}

/* No address twice; a network only with keys, and with somebody to let in. */
static void check_addresses(struct config_reader *reader)
{
    const struct config *config = reader->config;
    char all[2 * CONFIG_ADDRESSES_MOST][CONFIG_PATH_SIZE];
    const char *const lists[] = { config->bus, config->control };
    int count = 0, line = config_line_of(reader, -1, "control");
    bool network = strstr(config->bus, "tcp://") || strstr(config->control, "tcp://");

    for (int list = 0; list < 2; list++)
        for (const char *at = lists[list]; at; count++)
            at = config_next_address(at, all[count]);
    for (int i = 0; i < count; i++)
        for (int j = 0; j < i; j++)
            if (strcmp(all[i], all[j]) == 0)
                config_mistake(reader, line, "%s is there twice: bus and control need two addresses", all[i]);
    if (strstr(config->bus, "tcp://"))
        line = config_line_of(reader, -1, "bus");
    if (network && !*config->secret)
        config_mistake(
            reader, line,
            "a tcp:// address needs keys: make one with `poise-ctl keys new FILE`, write it as [keys] secret = "
            "FILE, and each client with its public key as [client NAME]; or use ipc:// addresses only");
    else if (network && config->client_count == 0)
        config_mistake(reader, line,
                       "a tcp:// address but no [client NAME] section: write one for each client to be let in");
}

/* What a bench has and a site has not. */
static const struct {
    enum config_section section;
    const char *header;
} of_a_bench[] = { { SECTION_BENCH, "[bench]" },
                   { SECTION_STATION, "[station NAME]" },
                   { SECTION_CUP, "[cup NAME]" },
                   { SECTION_INSTRUMENT, "[instrument NAME]" },
                   { SECTION_STRENGTH, "[strength]" } };

static void check_site(struct config_reader *reader)
{
    struct config *config = reader->config;

    config->site = true;
    config->control[0] = '\0';
    for (size_t i = 0; i < sizeof of_a_bench / sizeof *of_a_bench; i++)
        if (reader->section_first_line[of_a_bench[i].section])
            config_mistake(reader, reader->section_first_line[of_a_bench[i].section],
                           "a site has no %s; that belongs into the configuration of its bench", of_a_bench[i].header);
    if (config->follow_count == 0)
        config_mistake(reader, 0, "no bench to listen to: write a [follow NAME] section for each");
    for (int i = 0; i < config->follow_count; i++)
        if (strncmp(config->follows[i].bus, "tcp:", 4) == 0 && !config->follows[i].key[0])
            config_mistake(reader, config->follows[i].line,
                           "follow %s: a tcp:// address needs a key: make one with `poise-ctl keys new FILE --bench "
                           "KEY` and write key = FILE",
                           config->follows[i].name);
}

void config_check(struct config_reader *reader)
{
    struct config *config = reader->config;

    if (reader->section_first_line[SECTION_SITE])
        check_site(reader);
    else if (config->follow_count)
        config_mistake(reader, config->follows[0].line, "a bench follows no other: [follow NAME] goes with [site]");
    if (reader->section_first_line[SECTION_STATION] == 0 && config->instrument_count > 0)
        config_mistake(reader, 0,
                       "no [station NAME] section; at least one is needed, for the place where a brewer stands");
    check_addresses(reader);
    for (int i = 0; i < config->instrument_count; i++)
        check_instrument(reader, &config->instruments[i]);
    check_ports(reader);
    for (int i = 0; i < config->station_count; i++)
        check_station(reader, &config->stations[i]);
}
