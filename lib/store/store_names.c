/* The names that messages carry, each known by a small number from then on.  Not their rows in the file
 * (store_write). */
#include "store_parts.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Room for one more at the end of an array that doubles; the array, or NULL. */
static void *grown(void *array, int count, size_t size)
{
    if (count > 0 && (count < 8 || (count & (count - 1)) != 0))
        return array;
    return realloc(array, (size_t)(count < 8 ? 8 : 2 * count) * size);
}

int store_bench_index(struct store *store, const char *name)
{
    struct store_bench *bench;
    struct why why;

    for (int i = 0; i < store->bench_count; i++)
        if (strcmp(store->benches[i].name, name) == 0)
            return i;
    bench = grown(store->benches, store->bench_count, sizeof *bench);
    if (!bench)
        return -ENOMEM;
    store->benches = bench;
    bench += store->bench_count;
    memset(bench, 0, sizeof *bench);
    snprintf(bench->name, sizeof bench->name, "%s", name);
    store_resume(store, name, &bench->last_seq, &bench->latest_time_us, &why);
    bench->boot = -1;
    bench->progress_mono_us = INT64_MIN;
    return store->bench_count++;
}

int store_boot_index(struct store *store, const char *name)
{
    struct store_boot *boot;

    for (int i = store->boot_count - 1; i >= 0; i--)
        if (strcmp(store->boots[i].name, name) == 0)
            return i;
    boot = grown(store->boots, store->boot_count, sizeof *boot);
    if (!boot)
        return -ENOMEM;
    store->boots = boot;
    boot += store->boot_count;
    memset(boot, 0, sizeof *boot);
    snprintf(boot->name, sizeof boot->name, "%s", name);
    return store->boot_count++;
}

int store_station_index(struct store *store, int bench, const char *name)
{
    struct store_station *station;

    for (int i = 0; i < store->station_count; i++)
        if (store->stations[i].bench == bench && strcmp(store->stations[i].name, name) == 0)
            return i;
    if (store->station_count >= STORE_STATIONS_MOST)
        return -ENOSPC;
    station = grown(store->stations, store->station_count, sizeof *station);
    if (!station)
        return -ENOMEM;
    store->stations = station;
    station += store->station_count;
    memset(station, 0, sizeof *station);
    snprintf(station->name, sizeof station->name, "%s", name);
    station->bench = bench;
    station->brew = -1;
    return store->station_count++;
}

/* The newest are asked for most. */
int store_brew_index(struct store *store, int bench, int station, const char *name)
{
    struct store_brew *brew;

    for (int i = store->brew_count - 1; i >= 0; i--)
        if (strcmp(store->brews[i].name, name) == 0)
            return i;
    brew = grown(store->brews, store->brew_count, sizeof *brew);
    if (!brew)
        return -ENOMEM;
    store->brews = brew;
    brew += store->brew_count;
    memset(brew, 0, sizeof *brew);
    snprintf(brew->name, sizeof brew->name, "%s", name);
    brew->bench = bench;
    brew->station = station;
    return store->brew_count++;
}

/* Two busy days' worth: what is corrected is most often younger. */
enum { BREWS_REMEMBERED = 100 };

void store_forget_brews(struct store *store)
{
    int old = store->brew_count - BREWS_REMEMBERED, kept = 0;

    if (old < BREWS_REMEMBERED)
        return;
    for (int i = 0; i < store->brew_count; i++) {
        struct store_station *station = &store->stations[store->brews[i].station];
        bool under_way = station->brew == i;

        if (i < old && !under_way)
            continue;
        if (under_way)
            station->brew = kept;
        store->brews[kept++] = store->brews[i];
    }
    store->brew_count = kept;
}

/* FNV-1a, 32 bits (Fowler, Noll, Vo; offset 2166136261, prime 16777619). */
static uint32_t instrument_hash(int bench, enum quantity quantity, const char *name)
{
    uint32_t hash = 2166136261u;

    hash = (hash ^ (uint32_t)bench) * 16777619u;
    hash = (hash ^ (uint32_t)quantity) * 16777619u;
    for (; *name; name++)
        hash = (hash ^ (unsigned char)*name) * 16777619u;
    return hash;
}

static void slot_fill(struct store *store, int index)
{
    const struct store_instrument *instrument = &store->instruments[index];
    uint32_t slot = instrument_hash(instrument->bench, instrument->quantity, instrument->name);

    while (store->instrument_slots[slot & (uint32_t)(store->slot_count - 1)])
        slot++;
    store->instrument_slots[slot & (uint32_t)(store->slot_count - 1)] = index + 1;
}

/* At least every second slot stays empty, so that a search ends soon. */
static int slots_make_room(struct store *store)
{
    int count = store->slot_count ? store->slot_count : 32, *slots;

    if (store->slot_count && 2 * (store->instrument_count + 1) <= store->slot_count)
        return 0;
    while (2 * (store->instrument_count + 1) > count)
        count *= 2;
    slots = calloc((size_t)count, sizeof *slots);
    if (!slots)
        return -ENOMEM;
    free(store->instrument_slots);
    store->instrument_slots = slots;
    store->slot_count = count;
    for (int i = 0; i < store->instrument_count; i++)
        slot_fill(store, i);
    return 0;
}

static int instrument_add(struct store *store, int bench, const struct message_reading *reading)
{
    struct store_instrument *instrument = grown(store->instruments, store->instrument_count, sizeof *instrument);

    if (!instrument)
        return -ENOMEM;
    store->instruments = instrument;
    if (slots_make_room(store) < 0)
        return -ENOMEM;
    instrument += store->instrument_count;
    memset(instrument, 0, sizeof *instrument);
    snprintf(instrument->name, sizeof instrument->name, "%s", reading->instrument);
    instrument->bench = bench;
    instrument->quantity = reading->quantity;
    instrument->weighs_cup = reading->weighs_cup;
    instrument->station = -1;
    slot_fill(store, store->instrument_count);
    return store->instrument_count++;
}

int store_instrument_index(struct store *store, int bench, const struct message_reading *reading)
{
    uint32_t slot = instrument_hash(bench, reading->quantity, reading->instrument);
    const struct store_instrument *instrument;
    int found;

    while (store->slot_count && (found = store->instrument_slots[slot & (uint32_t)(store->slot_count - 1)])) {
        instrument = &store->instruments[found - 1];
        if (instrument->bench == bench && instrument->quantity == reading->quantity
            && strcmp(instrument->name, reading->instrument) == 0)
            return found - 1;
        slot++;
    }
    return instrument_add(store, bench, reading);
}
