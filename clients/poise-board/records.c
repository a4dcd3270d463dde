/* Rows of the store for the pages, read in a worker; see job.h. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "job.h"
#include "poise/messages.h"
#include "poise/store.h"

enum { POINTS = 2000 }; /* no screen has more columns */

static bool refused(struct job *job, int error)
{
    if (error)
        job->status = error == -ENOENT ? 404 : 500;
    return error != 0;
}

/* NULL: it failed, and the job has the reason. */
static sqlite3_stmt *select_rows(struct job *job, struct store *store, const char *sql)
{
    sqlite3_stmt *rows = NULL;

    if (sqlite3_prepare_v2(store_database(store), sql, -1, &rows, NULL) != SQLITE_OK) {
        refused(job, why_set(&job->why, -EIO, "the store: %s", sqlite3_errmsg(store_database(store))));
        return NULL;
    }
    return rows;
}

static void add_text(struct text *out, const char *key, sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);

    text_print(out, "\"%s\":", key);
    text_string(out, text ? text : "");
    text_print(out, ",");
}

static void add_number(struct text *out, const char *key, sqlite3_stmt *row, int column)
{
    text_print(out, "\"%s\":", key);
    text_number(out,
                sqlite3_column_type(row, column) == SQLITE_NULL ? (double)NAN : sqlite3_column_double(row, column));
}

static void list_experiments(struct job *job, struct store *store)
{
    sqlite3_stmt *rows = select_rows(job, store,
                                     "SELECT e.name, e.title, count(*) FROM experiment e JOIN brew b USING"
                                     " (experiment_id) WHERE b.ended_us IS NOT NULL GROUP BY e.experiment_id"
                                     " ORDER BY max(b.began_us) DESC LIMIT 60");
    const char *between = "";

    text_print(&job->out, "{\"experiments\":[");
    while (rows && sqlite3_step(rows) == SQLITE_ROW) {
        text_print(&job->out, "%s{", between);
        add_text(&job->out, "name", rows, 0);
        add_text(&job->out, "title", rows, 1);
        add_number(&job->out, "cups", rows, 2);
        text_print(&job->out, "}");
        between = ",";
    }
    sqlite3_finalize(rows);
}

static void list_brews(struct job *job, struct store *store)
{
    sqlite3_stmt *rows = select_rows(job, store,
                                     "SELECT brew, experiment, strength_pct, extraction_pct FROM brew_summary"
                                     " WHERE ended_utc IS NOT NULL ORDER BY began_utc DESC LIMIT 60");
    const char *between = "";

    text_print(&job->out, "],\"brews\":[");
    while (rows && sqlite3_step(rows) == SQLITE_ROW) {
        text_print(&job->out, "%s{", between);
        add_text(&job->out, "brew", rows, 0);
        add_text(&job->out, "experiment", rows, 1);
        add_number(&job->out, "strength", rows, 2);
        text_print(&job->out, ",");
        add_number(&job->out, "extraction", rows, 3);
        text_print(&job->out, "}");
        between = ",";
    }
    sqlite3_finalize(rows);
    text_print(&job->out, "]}");
}

void records_fill_list(struct job *job)
{
    struct store *store;
    int error = store_open(&store, job->board->store, STORE_READ, &job->why);

    if (error == -ENOENT) { /* no cup was kept yet */
        text_print(&job->out, "{\"experiments\":[],\"brews\":[]}");
        return;
    }
    if (refused(job, error))
        return;
    list_experiments(job, store);
    if (job->status == 200)
        list_brews(job, store);
    store_close(store);
}

/* ---- one cup ---- */

static sqlite3_stmt *of_brew(struct job *job, struct store *store, const char *sql, const char *brew)
{
    sqlite3_stmt *rows = select_rows(job, store, sql);

    if (rows)
        sqlite3_bind_text(rows, 1, brew, -1, SQLITE_STATIC);
    return rows;
}

static void add_measures(struct job *job, struct store *store, const char *brew)
{
    char sql[2048] = "SELECT plan_kept, factors";
    size_t length = strlen(sql);
    struct guide_units bench = store_units(store), units = shown_units_at(&job->board->units, &bench);
    struct guide_shown shown;
    sqlite3_stmt *rows;

    for (int i = 0; i < MEASURE_COUNT; i++)
        length += (size_t)snprintf(sql + length, sizeof sql - length, ", %s", measure_name((enum measure)i));
    snprintf(sql + length, sizeof sql - length, " FROM brew_summary WHERE brew = ?1");
    rows = of_brew(job, store, sql, brew);
    text_print(&job->out, ",\"measures\":[");
    for (int i = 0, count = 0; rows && (i > 0 || sqlite3_step(rows) == SQLITE_ROW) && i < MEASURE_COUNT; i++) {
        if (sqlite3_column_type(rows, i + 2) == SQLITE_NULL)
            continue;
        shown = guide_unit_shown(measure_unit((enum measure)i), &units);
        text_print(&job->out, "%s{\"what\":", count++ ? "," : "");
        text_string(&job->out, measure_summary((enum measure)i));
        text_print(&job->out, ",\"unit\":");
        text_string(&job->out, shown.unit);
        text_print(&job->out, ",\"value\":\"%.*f\"}", measure_decimals((enum measure)i) + shown.decimals,
                   sqlite3_column_double(rows, i + 2) * shown.each + shown.from);
    }
    sqlite3_finalize(rows);
    text_print(&job->out, "]");
}

static void add_stages(struct job *job, struct store *store, const char *brew)
{
    sqlite3_stmt *rows =
        of_brew(job, store, "SELECT stage, seconds FROM brew_stage WHERE brew = ?1 ORDER BY seconds", brew);
    const char *between = "";

    text_print(&job->out, ",\"stages\":[");
    while (rows && sqlite3_step(rows) == SQLITE_ROW) {
        text_print(&job->out, "%s[\"%s\",%.2f]", between, (const char *)sqlite3_column_text(rows, 0),
                   sqlite3_column_double(rows, 1));
        between = ",";
    }
    sqlite3_finalize(rows);
    text_print(&job->out, "]");
}

/* What the brewer's scale showed, every so-manieth reading. */
static void add_mass(struct job *job, struct store *store, const char *brew)
{
    sqlite3_stmt *rows = of_brew(job, store,
                                 "SELECT seconds, value, count(*) OVER () FROM brew_trace WHERE brew = ?1"
                                 " AND quantity = 'mass' AND weighs IS NOT 'cup' AND value IS NOT NULL"
                                 " AND seconds IS NOT NULL ORDER BY seconds",
                                 brew);
    const char *between = "";

    text_print(&job->out, ",\"mass\":[");
    for (int i = 0; rows && sqlite3_step(rows) == SQLITE_ROW; i++) {
        if (i % (sqlite3_column_int(rows, 2) / POINTS + 1) != 0)
            continue;
        text_print(&job->out, "%s[%.2f,%.1f]", between, sqlite3_column_double(rows, 0), sqlite3_column_double(rows, 1));
        between = ",";
    }
    sqlite3_finalize(rows);
    text_print(&job->out, "]}");
}

void records_fill_cup(struct job *job)
{
    char brew[BREW_SIZE];
    struct store *store;

    if (refused(job, store_open(&store, job->board->store, STORE_READ, &job->why)))
        return;
    if (!refused(job, store_brew_named(store, job->word[0], brew, &job->why))) {
        text_print(&job->out, "{\"brew\":");
        text_string(&job->out, brew);
        add_measures(job, store, brew);
        add_stages(job, store, brew);
        add_mass(job, store, brew);
    }
    store_close(store);
}
