/* Instruments to stations; see source.h. */
#include "source.h"

#include <string.h>

#include "strength.h"

int source_find(const struct config *config, const char *name)
{
    for (int i = 0; i < config->instrument_count; i++)
        if (strcmp(config->instruments[i].name, name) == 0)
            return i;
    return -1;
}

static bool a_station_weighs(const struct config *config)
{
    for (int i = 0; i < config->instrument_count; i++)
        if (config->instruments[i].station[0] && config->instruments[i].quantity == QUANTITY_MASS)
            return true;
    return false;
}

struct source source_configured(const struct config *config, int instrument, const struct stations *stations)
{
    const struct instrument_config *one = &config->instruments[instrument];

    struct source source = { .station = one->station[0] ? station_find(stations, one->station) : -1,
                             .own = one->quantity,
                             .weighs_cup = one->weighs_cup,
                             .apart = !one->station[0] && a_station_weighs(config) };

    strcpy(source.name, one->name);
    return source;
}

/* Apart from what it is there for, an instrument may show a temperature or a pressure: the station's, or, if it reads
 * strength, its sample's.  A mass beside something else is no scale under a brew. */
void source_reading(struct stations *stations, const struct source *source, const struct reading *reading, uint64_t seq,
                    struct moment now)
{
    enum quantity own = source->own;

    if (source->apart && reading->quantity == QUANTITY_MASS)
        return;
    if (reading->quantity == QUANTITY_MASS && source->weighs_cup)
        stations_second(stations, source->station, reading, seq, now);
    else if (reading->quantity == QUANTITY_TEMPERATURE
             && (own == QUANTITY_STRENGTH || own == QUANTITY_BRIX || own == QUANTITY_REFRACTIVE_INDEX))
        strength_sample_temperature(stations, reading);
    else if (reading->quantity == QUANTITY_STRENGTH || reading->quantity == QUANTITY_BRIX
             || reading->quantity == QUANTITY_REFRACTIVE_INDEX) {
        if (own == QUANTITY_NONE || reading->quantity == own)
            strength_reading(stations, source->name, reading, seq, now);
    } else if (own == QUANTITY_NONE || reading->quantity == own || reading->quantity == QUANTITY_TEMPERATURE
               || reading->quantity == QUANTITY_PRESSURE)
        stations_reading(stations, source->station, reading, seq, now);
}

bool source_view(const struct stations *stations, const struct source *source, const struct reading *reading,
                 int64_t now_us, struct station_view *out)
{
    if (source->station < 0 || source->weighs_cup || reading->quantity != QUANTITY_MASS
        || (source->own != QUANTITY_NONE && source->own != QUANTITY_MASS))
        return false;
    station_look(stations, source->station, now_us, out);
    return true;
}

bool source_in_brew(const struct stations *stations, const struct source *source)
{
    struct tracker_view view;

    if (source->station < 0)
        return false;
    tracker_view(stations->all[source->station].tracker, &view);
    return view.stage != STAGE_IDLE || station_running(stations, source->station);
}

void source_changed(struct stations *stations, const struct source *source, enum instrument_change change,
                    struct moment now)
{
    if (change == INSTRUMENT_ORDERED
        && (source->own == QUANTITY_STRENGTH || source->own == QUANTITY_BRIX
            || source->own == QUANTITY_REFRACTIVE_INDEX))
        strength_zeroed(stations, source->name);
    if (source->station < 0 || source->own != QUANTITY_MASS)
        return;
    if (change == INSTRUMENT_SILENT || change == INSTRUMENT_LOST)
        stations_gap(stations, source->station, source->weighs_cup, now);
    else if (change == INSTRUMENT_ORDERED && !source->weighs_cup)
        stations_tare_ordered(stations, source->station, now);
}

void source_again(struct stations *stations, const struct source *source, const struct message *message)
{
    struct moment then = { message->common.time_us, message->common.mono_us };

    stations_time(stations, then);
    if (message->kind == MESSAGE_READING) {
        struct reading reading = {
            .quantity = message->reading.quantity,
            .status = message->reading.status,
            .stable = (signed char)message->reading.stable,
            .net = -1,
            .unit = quantity_unit(message->reading.quantity),
            .shown = message->reading.value,
            .value = message->reading.value,
            .resolution =
                decimal_resolution(message->reading.calibrated ? message->reading.raw : message->reading.value),
            .mono_us = then.mono_us,
        };

        memcpy(reading.detail, message->reading.detail, sizeof reading.detail);
        source_reading(stations, source, &reading, message->common.seq, then);
    } else if (message->kind == MESSAGE_INSTRUMENT
               && (source->station < 0 || stations->all[source->station].saved_seq < message->common.seq)) {
        source_changed(stations, source, message->instrument.change, then);
    }
}
