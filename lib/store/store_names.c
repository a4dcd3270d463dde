/* The names that messages carry, each known by a small number from then on, and their rows in the file, found or made.
 * Not what is written of them (store_write). */
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

/* ---- their rows in the file ---- */

int64_t store_utc(const struct message_common *common, int64_t mono_us)
{
    int64_t ago, utc;

    if (__builtin_sub_overflow(common->mono_us, mono_us, &ago) || __builtin_sub_overflow(common->time_us, ago, &utc))
        return common->time_us;
    return utc;
}

/* --- row numbers of names; 0: SQLite failed --- */

int64_t store_bench_row(struct store *store, int index)
{
    struct store_bench *bench = &store->benches[index];
    sqlite3_stmt *add = store->statement[STATEMENT_BENCH_ADD], *find = store->statement[STATEMENT_BENCH_FIND];

    if (!bench->row) {
        store_bind_name(add, 1, bench->name);
        store_bind_name(find, 1, bench->name);
        bench->row = store_done(add) == 0 ? store_found(find) : 0;
    }
    return bench->row;
}

int64_t store_boot_row(struct store *store, int index)
{
    struct store_boot *boot = &store->boots[index];
    sqlite3_stmt *add = store->statement[STATEMENT_BOOT_ADD], *find = store->statement[STATEMENT_BOOT_FIND];

    if (!boot->row) {
        store_bind_name(add, 1, boot->name);
        store_bind_name(find, 1, boot->name);
        boot->row = store_done(add) == 0 ? store_found(find) : 0;
    }
    return boot->row;
}

int64_t store_instrument_row(struct store *store, int index)
{
    struct store_instrument *instrument = &store->instruments[index];
    sqlite3_stmt *add = store->statement[STATEMENT_INSTRUMENT_ADD];
    sqlite3_stmt *find = store->statement[STATEMENT_INSTRUMENT_FIND];
    int64_t bench;

    if (instrument->row)
        return instrument->row;
    bench = store_bench_row(store, instrument->bench);
    sqlite3_bind_int64(add, 1, bench);
    store_bind_name(add, 2, instrument->name);
    store_bind_name(add, 3, quantity_name(instrument->quantity));
    store_bind_name(add, 4, unit_name(quantity_unit(instrument->quantity)));
    store_bind_words(add, 5, instrument->weighs_cup ? "cup" : NULL);
    sqlite3_bind_int64(find, 1, bench);
    store_bind_name(find, 2, instrument->name);
    store_bind_name(find, 3, quantity_name(instrument->quantity));
    if (bench && store_done(add) == 0)
        instrument->row = store_found(find);
    return instrument->row;
}

/* An event may be the first the store hears of its brew, when the beginning was lost in a gap. */
int64_t store_brew_row(struct store *store, int index)
{
    struct store_brew *brew = &store->brews[index];
    sqlite3_stmt *add = store->statement[STATEMENT_BREW_ADD], *find = store->statement[STATEMENT_BREW_FIND];
    int64_t bench;

    if (brew->row)
        return brew->row;
    bench = store_bench_row(store, brew->bench);
    store_bind_name(add, 1, brew->name);
    sqlite3_bind_int64(add, 2, bench);
    store_bind_name(add, 3, store->stations[brew->station].name);
    store_bind_name(find, 1, brew->name);
    if (bench && store_done(add) == 0)
        brew->row = store_found(find);
    return brew->row;
}

/* --- two brews of one name --- */

static const int64_t SAME_BEGIN_US = 2 * 1000000LL;

bool store_same_begin(int64_t one_mono_us, int64_t other_mono_us)
{
    int64_t apart_us;

    return !__builtin_sub_overflow(one_mono_us, other_mono_us, &apart_us) && apart_us < SAME_BEGIN_US
           && apart_us > -SAME_BEGIN_US;
}

/* Whether the row is of no other brew than the one that begins; or, with STATEMENT_BREW_TWIN, the row that is of it. */
static int64_t row_of_begin(struct store *store, enum statement kind, int64_t row, const struct store_event *event)
{
    const struct message *message = &event->message;
    sqlite3_stmt *statement = store->statement[kind];

    sqlite3_bind_int64(statement, 1, row);
    sqlite3_bind_int64(statement, 2, store_boot_row(store, event->boot));
    sqlite3_bind_int64(statement, 3, message->brew.at_us);
    sqlite3_bind_int64(statement, 4, SAME_BEGIN_US);
    if (kind == STATEMENT_BREW_TWIN)
        store_bind_name(statement, 5, message->brew.station);
    return store_found(statement);
}

/* The earlier brew keeps its day, and gets its number and a thousand or more: no bench brews so many a day.  A number
 * that nobody counts to, as a message may have it all the same, wraps. */
static int rename_earlier(struct store *store, int64_t row, const struct store_event *event)
{
    sqlite3_stmt *statement = store->statement[STATEMENT_BREW_RENAME], *note = store->statement[STATEMENT_NOTE];
    const char *name = event->message.brew.brew, *number = strrchr(name, '-') + 1;
    char other[BREW_SIZE + 16], words[160];

    for (int thousands = 1; thousands < 1000; thousands++) {
        snprintf(other, sizeof other, "%.*s%03llu", (int)(number - name), name,
                 strtoull(number, NULL, 10) + 1000ULL * (unsigned)thousands);
        sqlite3_bind_int64(statement, 1, row);
        store_bind_name(statement, 2, other);
        if (store_done(statement) != 0)
            return -1;
        if (sqlite3_changes(store->database) == 0)
            continue; /* there is one of that name */
        why_set(&store->said, 0,
                "the bench gave the name %s twice, as one whose journal was removed does: the earlier "
                "brew is %s from now on, and nothing of it is lost",
                name, other);
        snprintf(words, sizeof words, "Was %s, a name that its bench gave again.", name);
        sqlite3_bind_int64(note, 1, row);
        sqlite3_bind_int64(note, 2, (int64_t)event->message.common.seq);
        sqlite3_bind_int64(note, 3, event->message.common.time_us);
        store_bind_name(note, 4, words);
        return store_done(note);
    }
    return -1;
}

int64_t store_begin_row(struct store *store, const struct store_event *event)
{
    struct store_brew *brew = &store->brews[event->brew];
    int64_t row = store_brew_row(store, event->brew), twin;

    if (!row || row_of_begin(store, STATEMENT_BREW_SAME, row, event))
        return row;
    twin = row_of_begin(store, STATEMENT_BREW_TWIN, store_bench_row(store, event->bench), event);
    if (twin) /* a journal that came back */
        return brew->row = twin;
    if (rename_earlier(store, row, event) != 0)
        return 0;
    brew->row = 0;
    return store_brew_row(store, event->brew);
}

void store_forget_rows(struct store *store)
{
    for (int i = 0; i < store->bench_count; i++)
        store->benches[i].row = 0;
    for (int i = 0; i < store->boot_count; i++)
        store->boots[i].row = 0;
    for (int i = 0; i < store->instrument_count; i++)
        store->instruments[i].row = 0;
    for (int i = 0; i < store->brew_count; i++)
        store->brews[i].row = 0;
}
