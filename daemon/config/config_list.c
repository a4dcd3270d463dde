/* What a configuration holds, for those who add to it or look after it. */
#include <limits.h>
#include <stdlib.h>
#include <string.h>

#include "config.h"
#include "transport/serial.h"

bool config_names_stations(const struct config *config)
{
    return config->station_count > 0 && config->stations[0].line > 0;
}

static bool has_scale(const struct config *config, const char *station)
{
    for (int i = 0; i < config->instrument_count; i++) {
        const struct instrument_config *instrument = &config->instruments[i];

        if (instrument->quantity == QUANTITY_MASS && !instrument->weighs_cup
            && strcmp(instrument->station, station) == 0)
            return true;
    }
    return false;
}

const char *config_station_without_scale(const struct config *config, int number)
{
    for (int i = 0; i < config->station_count && config_names_stations(config); i++)
        if (!has_scale(config, config->stations[i].name) && number-- == 0)
            return config->stations[i].name;
    return NULL;
}

/* As a member of an object; null where there is nothing. */
static void add(struct text *out, const char *before, const char *key, const char *value)
{
    text_print(out, "%s\"%s\":", before, key);
    if (value && *value)
        text_string(out, value);
    else
        text_add(out, "null", 4);
}

static void add_instrument(struct text *out, const struct instrument_config *instrument)
{
    char real[PATH_MAX];

    add(out, "{", "instrument", instrument->name);
    add(out, ",", "driver", instrument->driver);
    add(out, ",", "port", instrument->port);
    /* the port behind a link; null: it is not there, or no path */
    add(out, ",", "device", serial_resolve(instrument->port, real, sizeof real) == 0 ? real : NULL);
    add(out, ",", "quantity", quantity_name(instrument->quantity));
    add(out, ",", "station", instrument->station);
    add(out, ",", "weighs", instrument->weighs_cup ? "cup" : "brew");
    text_print(out, ",\"line\":%d}", instrument->line);
}

void config_write_json(const struct config *config, const char *path, struct text *out)
{
    add(out, "{", "file", path);
    add(out, ",", "bench", config->bench);
    add(out, ",", "bus", config->bus);
    add(out, ",", "control", config->control);
    add(out, ",", "journal", config->journal);
    text_print(out, ",\"stations\":[");
    for (int i = 0; i < config->station_count && config_names_stations(config); i++) {
        text_print(out, i ? "," : "");
        text_string(out, config->stations[i].name);
    }
    text_print(out, "],\"instruments\":[");
    for (int i = 0; i < config->instrument_count; i++) {
        text_print(out, i ? "," : "");
        add_instrument(out, &config->instruments[i]);
    }
    text_print(out, "]}");
}
