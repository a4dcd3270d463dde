/* A store as it is written: what is under way, the names met so far, and what waits for the next commit.  Only for
 * the files that open and write it: others ask its database. */
#ifndef POISE_STORE_PARTS_H
#define POISE_STORE_PARTS_H

#include "poise/store.h"
#include "store_schema.h"
#include "store_sql.h"
#include "store_trust.h"

#include <stdbool.h>
#include <stdint.h>

/* Names met so far and their row numbers; a row number of 0 is looked up, or made, when next written.
 * An index into these lists stands for the name everywhere below. */
struct store_bench {
    char name[NAME_SIZE];
    int64_t row;
    int boot;               /* the boot it last spoke from; -1: not yet */
    uint64_t last_seq;      /* of the last message applied; 0: none */
    int64_t latest_time_us; /* UTC, of all that the store ever heard of it */
    int64_t last_mono_us;
    int64_t progress_mono_us; /* when its progress was last written */
    bool fresh;               /* something happened since then */
    bool restarted;           /* it numbers its messages from the beginning again: its journal was replaced */
};

struct store_boot {
    char name[BOOT_SIZE];
    int64_t row;
};

struct store_instrument {
    char name[NAME_SIZE];
    int bench, station;
    enum quantity quantity;
    bool weighs_cup;
    int64_t row;
};

struct store_brew {
    char name[BREW_SIZE];
    int64_t row;
    int bench, station, boot;
    int64_t began_mono_us;
    uint64_t begin_seq;
    bool changed; /* something of it was written in the open transaction, or one that was rolled back */
};

/* One reading, as it waits for a brew to claim it or for the next commit. */
struct store_row {
    uint64_t seq;
    int64_t mono_us, time_us, mantissa;
    int instrument, boot;
    int brew; /* whose trace; -1: kept for itself (table reading) */
    int8_t exponent, stable, status;
};

/* The readings of the last minutes of one station, oldest first from `first`, in a ring. */
struct store_station {
    char name[NAME_SIZE]; /* "": what serves the whole bench */
    int bench;
    int brew; /* the brew under way; -1: none */
    struct store_row *ring;
    size_t size, first, count;
};

/* An event as it waits for the next commit. */
struct store_event {
    struct message message; /* json taken away */
    char *plan_json;        /* owned */
    int bench, boot, brew;  /* brew: -1 when it is about none */
    uint64_t gap_after;     /* not 0: the messages after this one never came */
};

struct record;

struct store {
    sqlite3 *database;
    struct record *record; /* a cache's: where its traces are; else NULL */
    bool is_cache;         /* nothing is under way in it */
    enum store_mode mode;
    char *path;
    uint64_t gone;        /* as store_gone */
    bool has_log;         /* what was written lies in a file beside it */
    int64_t statement_ms; /* when the one that runs began, on clock_steady_ms */
    int64_t statement_ms_most;
    sqlite3_stmt *statement[STATEMENT_COUNT];

    struct store_bench *benches;
    struct store_boot *boots;
    struct store_instrument *instruments;
    struct store_brew *brews;
    struct store_station *stations;
    int bench_count, boot_count, instrument_count, brew_count, station_count;

    int *instrument_slots; /* hash of (bench, name, quantity) -> instrument index + 1 */
    int slot_count;        /* a power of two */

    struct store_event *events; /* since the last commit, in the order of their arrival */
    size_t event_count, event_size;
    struct store_row *rows;
    size_t row_count, row_size;
    struct why said; /* of a brew that was renamed; empty: none */
};

/* Two brews with the same begin are one: no two cups begin so soon after each other on one station, and a bench that
 * was killed may find a begin again from its readings, a little off. */
bool store_same_begin(int64_t one_mono_us, int64_t other_mono_us);

/* Opens the file of a cache (record_cache.c), to be brought up to date. */
int store_open_cache(struct store **out, const char *path, struct why *why);

/* Writes all that waits, in one transaction. */
int store_write(struct store *store, struct why *why);

/* UTC of a moment on the bench's steady clock, as the message saw both. */
int64_t store_utc(const struct message_common *common, int64_t mono_us);

/* The row of an index, made when there is none; 0: SQLite failed. */
int64_t store_bench_row(struct store *store, int index);
int64_t store_boot_row(struct store *store, int index);
int64_t store_instrument_row(struct store *store, int index);
int64_t store_brew_row(struct store *store, int index);

/* The row of a brew that begins: an earlier one that had its name, which the bench has forgotten, gets another. */
int64_t store_begin_row(struct store *store, const struct store_event *event);

/* After a rollback no row number found in the transaction holds. */
void store_forget_rows(struct store *store);

/* The seq up to which everything is, or will be with the next commit, in the file. */
uint64_t store_whole_until(const struct store *store, int bench);

/* A bench has dozens of stations; more is nonsense and would eat the memory. */
enum { STORE_STATIONS_MOST = 4096 };

/* Indices of names; -ENOMEM, or -ENOSPC for too many stations. */
int store_bench_index(struct store *store, const char *name);
int store_boot_index(struct store *store, const char *name);
int store_station_index(struct store *store, int bench, const char *name);
int store_brew_index(struct store *store, int bench, int station, const char *name);
/* Forgets old brews, unless they are under way: events of one bring it back.  Only where nothing waits. */
void store_forget_brews(struct store *store);
int store_instrument_index(struct store *store, int bench, const struct message_reading *reading);

#endif
