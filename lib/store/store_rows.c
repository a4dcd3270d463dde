/* The rows of names in the file, found or made: which brew of the file an event is about.  Not what is written of it
 * (store_write). */
#include "store_parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int store_done(sqlite3_stmt *statement)
{
    int code = sqlite3_step(statement);

    sqlite3_reset(statement);
    return code == SQLITE_DONE ? 0 : -1;
}

int64_t store_found(sqlite3_stmt *statement)
{
    int64_t row = sqlite3_step(statement) == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;

    sqlite3_reset(statement);
    return row;
}

void store_bind_name(sqlite3_stmt *statement, int place, const char *name)
{
    sqlite3_bind_text(statement, place, name, -1, SQLITE_STATIC);
}

void store_bind_words(sqlite3_stmt *statement, int place, const char *words)
{
    if (words && words[0])
        store_bind_name(statement, place, words);
    else
        sqlite3_bind_null(statement, place);
}

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
