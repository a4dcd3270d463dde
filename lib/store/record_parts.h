/* What the files of the shared record share: connection (record), tables (record_schema), what a brew's row holds
 * (record_brew), sending (record_send), fetching (record_fetch) and traces on demand (record_trace).  Its manual is
 * record.h. */
#ifndef POISE_RECORD_PARTS_H
#define POISE_RECORD_PARTS_H

#include <libpq-fe.h>
#include <sqlite3.h>

#include "poise/record.h"
#include "poise/text.h"
#include "poise/trace_block.h"

enum { STORE_ID_SIZE = 33 };

struct record {
    PGconn *connection;
    char *address; /* owned; without any password */

    /* while it sends */
    char store_id[STORE_ID_SIZE];
    int64_t position;    /* of the store's changes, there */
    int kept_from;       /* months before this one are not taken any more */
    int month;           /* whose tables are known to be there; 0: none */
    bool monthless;      /* there are brews in no month */
    bool prepared;       /* the statement that takes a brew */
    uint32_t others_sum; /* CRC-32 of plans, tastings and checks as they were last sent */
    struct text benches; /* as they were last registered */
    struct why remark;
};

/* Runs one statement with text parameters, for its rows or for none.  0, or a negative errno: -ENOTCONN when the
 * connection is gone, -ENOSPC, -EACCES, else -EIO. */
int record_run(struct record *record, const char *sql, int count, const char *const *values, PGresult **rows,
               struct why *why);

/* Several statements in one text, without parameters. */
int record_run_all(struct record *record, const char *sql, struct why *why);

/* What a result says went wrong; NULL: the connection. */
int record_failed(struct record *record, const PGresult *result, struct why *why);

/* ---- record_brew.c ---- */

/* The documents of a brew: its measures {"dose_g": [[seq, value, ...], ...]}, newest first, and its other parts
 * {"stage": [[...], ...], ...}, in the order of the parts' columns. */
struct brew_writer;
int brew_writer_open(struct brew_writer **out, sqlite3 *here, struct why *why);
void brew_writer_close(struct brew_writer *writer);
int brew_write_measures(struct brew_writer *writer, int64_t brew, struct text *out, struct why *why);
int brew_write_parts(struct brew_writer *writer, int64_t brew, struct text *out, struct why *why);

/* The block; *samples 0: no trace.  Before the parts, which name what it has numbers of. */
int brew_write_trace(struct brew_writer *writer, int64_t brew, struct text *out, size_t *samples, struct why *why);

/* Takes such documents into a store, in place of what is there of the brew (its row is written by the caller). */
struct brew_reader;
int brew_reader_open(struct brew_reader **out, sqlite3 *here, struct why *why);
void brew_reader_close(struct brew_reader *reader);
int brew_clear(struct brew_reader *reader, int64_t brew, struct why *why);
int brew_read(struct brew_reader *reader, int64_t brew, int64_t bench, const char *measures, const char *parts,
              struct why *why);

/* ---- record_fetch.c ---- */

/* What a fetch takes: all that is new, without traces, into a cache; or what is chosen, with them, into a new store. */
struct fetch_choice {
    const char *bench, *experiment; /* NULL: all */
    bool traces;
};

/* Inside a transaction of `here`.  Returns how many brews were chosen, 0 for a cache. */
int record_fetch(struct record *record, sqlite3 *here, const struct fetch_choice *choice, struct why *why);

/* The tables by which a fetch knows how far it has come. */
extern const char record_fetch_tables[];

/* ---- record_trace.c ---- */

/* The numbers of instruments and boots in a block are the sender's; `parts` names them. */
enum { TRACE_NAMES_MOST = 64 }; /* a brew has some three instruments */
struct trace_map {
    struct trace_names {
        int64_t there, here;
    } instrument[TRACE_NAMES_MOST], boot[TRACE_NAMES_MOST];
    size_t instruments, boots;
};
int trace_map_load(struct trace_map *map, sqlite3 *here, const char *parts, int64_t bench, struct why *why);
void trace_map_apply(const struct trace_map *map, struct trace_sample *sample);

/* Lays a table `trace` before the cache's own, whose rows come from there when somebody asks for a brew's. */
int record_trace_attach(struct record *record, sqlite3 *here, struct why *why);

/* ---- record_cache.c ---- */

/* A store that shows what the record holds now, for reading. */
int record_cache_open(struct store **out, const char *address, struct why *why);

#endif
