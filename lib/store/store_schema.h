/* The store's tables, their versions, and the statements that write them. */
#ifndef POISE_STORE_SCHEMA_H
#define POISE_STORE_SCHEMA_H

#include <sqlite3.h>
#include <stdbool.h>

#include "poise/why.h"

/* "Pois" in ASCII, in the file's header (PRAGMA application_id): so `file` and we know a store. */
enum { STORE_APPLICATION_ID = 0x506f6973 };

enum statement {
    STATEMENT_BENCH_ADD,
    STATEMENT_BENCH_FIND,
    STATEMENT_BOOT_ADD,
    STATEMENT_BOOT_FIND,
    STATEMENT_INSTRUMENT_ADD,
    STATEMENT_INSTRUMENT_FIND,
    STATEMENT_BREW_ADD,
    STATEMENT_BREW_FIND,
    STATEMENT_BREW_SAME,
    STATEMENT_BREW_TWIN,
    STATEMENT_BREW_RENAME,
    STATEMENT_BREW_BEGIN,
    STATEMENT_BREW_PLAN,
    STATEMENT_BREW_CREDIT,
    STATEMENT_BREW_END,
    STATEMENT_BREW_DISCARD,
    STATEMENT_BREW_VERDICT,
    STATEMENT_EXPERIMENT_ADD,
    STATEMENT_EXPERIMENT_FIND,
    STATEMENT_STAGE,
    STATEMENT_MEASURE,
    STATEMENT_MEASURE_IF_NEW,
    STATEMENT_ASSIGN,
    STATEMENT_UNASSIGN,
    STATEMENT_BUDGET,
    STATEMENT_CHECK,
    STATEMENT_ALARM,
    STATEMENT_ASKED_BY,
    STATEMENT_NOTE,
    STATEMENT_INSTRUMENT_EVENT,
    STATEMENT_WARNING,
    STATEMENT_GAP,
    STATEMENT_TRACE,
    STATEMENT_READING,
    STATEMENT_PROGRESS,
    STATEMENT_CHANGED,
    STATEMENT_COUNT
};
extern const char *const store_statements[STATEMENT_COUNT];

/* The tables of blind tastings: today's, those of versions 1 to 3, and how these are put aside. */
extern const char store_tasting_tables[], store_tasting_early_tables[], store_tasting_rename_early[];

/* Makes the tables of this version in an empty file, or brings an older version up to it. */
int store_migrate(sqlite3 *database, int from_version, struct why *why);

/* Its parts, for a rescue: the tables of an older version alone; the views, which hold no data. */
int store_make_tables(sqlite3 *database, int version, struct why *why);
int store_make_views(sqlite3 *database, bool temporary, struct why *why);

#endif
