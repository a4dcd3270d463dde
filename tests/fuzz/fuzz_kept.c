/* Any bytes as what an earlier poised kept of its stations: a key on the first line, its value behind it, or with a key
 * of "station" a kept tracker whose header was changed.  Taken back or passed over, and the bench goes on with it. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "stations/station.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

static const struct saved_at now = { 5000, { INT64_C(1795600000000000), INT64_C(1000000000) }, 1 };

static void emit(void *context, struct message *message)
{
    char text[MESSAGE_SIZE];

    message->common.seq = ++*(uint64_t *)context;
    message->common.rate = 1;
    if (message_write(message, text, sizeof text) < 0)
        abort();
}

struct kept {
    char *data;
    size_t length;
};

static void keep(void *context, const char *key, const void *data, size_t length)
{
    struct kept *kept = context;

    if (strncmp(key, "station/", 8) != 0 || kept->data || !data)
        return;
    kept->data = malloc(length);
    if (!kept->data)
        abort();
    memcpy(kept->data, data, length);
    kept->length = length;
}

/* A tracker as it is kept, cut short, and with bytes of the input in the header before it.  The tracker's own bytes are
 * the journal's checksum's to vouch for. */
static void load_changed(struct stations *stations, const uint8_t *data, size_t length)
{
    struct kept kept = { 0 };

    stations->all[0].changed = true;
    stations_save(stations, true, &now, keep, &kept);
    if (!kept.data || length < 2)
        abort();
    kept.length -= (size_t)(data[0] | data[1] << 8) % kept.length;
    for (data += 2, length -= 2; length >= 2; data += 2, length -= 2)
        kept.data[data[0] % (kept.length > tracker_size() ? kept.length - tracker_size() : 1)] = (char)data[1];
    stations_load(stations, "station/left", kept.data, kept.length, &now);
    free(kept.data);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    static struct station_config places[1] = { { .name = "left" } };
    struct config config = { .bench = "pier", .stations = places, .station_count = 1, .replicates = 3 };
    const uint8_t *line = memchr(data, '\n', length);
    size_t key_length = line ? (size_t)(line - data) : 0;
    uint64_t seq = now.seq;
    struct stations stations = { .context = &seq, .emit = emit };
    struct why why;
    char key[64];

    if (!line || key_length >= sizeof key || length - key_length < 3)
        return 0;
    memcpy(key, data, key_length);
    key[key_length] = '\0';
    if (stations_open(&stations, &config, &why) != 0)
        abort();
    if (strcmp(key, "station") == 0)
        load_changed(&stations, line + 1, length - key_length - 1);
    else
        stations_load(&stations, key, line + 1, length - key_length - 1, &now);
    stations_resume_seq(&stations);
    stations_loaded(&stations, now.moment);
    stations_time(&stations, now.moment);
    stations_close(&stations);
    return 0;
}
