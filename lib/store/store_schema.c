/* The tables of the store and the way from one version to the next.  Not for what goes into them. */
#include "store_schema.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "store_sql.h"

/* Tables without rowid begin with the columns of their key: PRAGMA integrity_check of SQLite 3.40 raises
 * a false alarm otherwise.  A message is known by bench and seq; with its time, since a bench whose journal was
 * replaced begins to number again.  Times: `..._us` is UTC in microseconds since 1970; `..._mono_us` is the bench's
 * steady clock, which compares only within one boot and is what every duration comes from. */
static const char tables[] =
    "CREATE TABLE bench (bench_id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);"
    /* every message up to seq is in this file, or belongs to no brew */
    "CREATE TABLE progress (bench_id INTEGER PRIMARY KEY REFERENCES bench, seq INTEGER NOT NULL,"
    " time_us INTEGER NOT NULL);"
    /* messages that never came: the bench's journal no longer held them */
    "CREATE TABLE gap (bench_id INTEGER NOT NULL REFERENCES bench, before_seq INTEGER NOT NULL,"
    " time_us INTEGER NOT NULL, after_seq INTEGER NOT NULL, PRIMARY KEY (bench_id, before_seq, time_us)) WITHOUT ROWID;"
    "CREATE TABLE boot (boot_id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);"
    "CREATE TABLE instrument (instrument_id INTEGER PRIMARY KEY, bench_id INTEGER NOT NULL REFERENCES bench,"
    " name TEXT NOT NULL, quantity TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (bench_id, name, quantity));"
    "CREATE TABLE experiment (experiment_id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, title TEXT,"
    " definition TEXT);"
    "CREATE TABLE brew (brew_id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,"
    " bench_id INTEGER NOT NULL REFERENCES bench, station TEXT NOT NULL, boot_id INTEGER REFERENCES boot,"
    " begin_seq INTEGER, began_us INTEGER, began_mono_us INTEGER,"
    " told_seq INTEGER NOT NULL DEFAULT 0," /* the last event that said how it ended */
    " ended_us INTEGER, ended_mono_us INTEGER, discarded INTEGER NOT NULL DEFAULT 0, reason TEXT,"
    " experiment_id INTEGER REFERENCES experiment, run INTEGER, replicate INTEGER, factors TEXT, recipe TEXT,"
    " tolerances TEXT, plan_kept INTEGER);"
    "CREATE INDEX brew_by_time ON brew (began_us);"
    "CREATE INDEX brew_by_experiment ON brew (experiment_id);"
    "CREATE TABLE stage (brew_id INTEGER NOT NULL REFERENCES brew, seq INTEGER NOT NULL, stage TEXT NOT NULL,"
    " boot_id INTEGER NOT NULL REFERENCES boot, at_us INTEGER NOT NULL, at_mono_us INTEGER NOT NULL,"
    " uncertainty_us INTEGER, made_by TEXT NOT NULL, PRIMARY KEY (brew_id, seq)) WITHOUT ROWID;"
    /* each correction is a row more; the one with the greatest seq counts */
    "CREATE TABLE measure (brew_id INTEGER NOT NULL REFERENCES brew, measure TEXT NOT NULL, seq INTEGER NOT NULL,"
    " value REAL, standard_uncertainty REAL, above INTEGER NOT NULL, made_by TEXT NOT NULL, time_us INTEGER NOT NULL,"
    " PRIMARY KEY (brew_id, measure, seq)) WITHOUT ROWID;"
    /* all that the instruments showed during a brew; decimals: digits after the point as shown */
    "CREATE TABLE trace (brew_id INTEGER NOT NULL REFERENCES brew, seq INTEGER NOT NULL,"
    " instrument_id INTEGER NOT NULL REFERENCES instrument, boot_id INTEGER NOT NULL, time_us INTEGER NOT NULL,"
    " mono_us INTEGER NOT NULL, value REAL, decimals INTEGER, stable INTEGER, status TEXT NOT NULL,"
    " PRIMARY KEY (brew_id, seq)) WITHOUT ROWID;"
    /* strength, Brix and refractive index: each reading, whether a brew claims it or not */
    "CREATE TABLE reading (bench_id INTEGER NOT NULL REFERENCES bench, seq INTEGER NOT NULL,"
    " time_us INTEGER NOT NULL, instrument_id INTEGER NOT NULL REFERENCES instrument, boot_id INTEGER NOT NULL,"
    " mono_us INTEGER NOT NULL, value REAL, decimals INTEGER, stable INTEGER, status TEXT NOT NULL,"
    " PRIMARY KEY (bench_id, seq, time_us)) WITHOUT ROWID;"
    /* which brew a strength reading belongs to; the row with the greatest seq counts, brew NULL takes it back */
    "CREATE TABLE assignment (bench_id INTEGER NOT NULL REFERENCES bench, reading_seq INTEGER NOT NULL,"
    " seq INTEGER NOT NULL, time_us INTEGER NOT NULL, brew_id INTEGER REFERENCES brew, made_by TEXT NOT NULL,"
    " filtered INTEGER, sample_c REAL, PRIMARY KEY (bench_id, reading_seq, seq, time_us)) WITHOUT ROWID;"
    "CREATE INDEX assignment_by_brew ON assignment (brew_id) WHERE brew_id IS NOT NULL;"
    "CREATE TABLE note (brew_id INTEGER NOT NULL REFERENCES brew, seq INTEGER NOT NULL, time_us INTEGER NOT NULL,"
    " text TEXT NOT NULL, PRIMARY KEY (brew_id, seq)) WITHOUT ROWID;"
    "CREATE TABLE instrument_event (bench_id INTEGER NOT NULL REFERENCES bench, seq INTEGER NOT NULL,"
    " time_us INTEGER NOT NULL, instrument TEXT NOT NULL, change TEXT NOT NULL, detail TEXT NOT NULL,"
    " PRIMARY KEY (bench_id, seq, time_us)) WITHOUT ROWID;"
    "CREATE TABLE warning (bench_id INTEGER NOT NULL REFERENCES bench, seq INTEGER NOT NULL,"
    " time_us INTEGER NOT NULL, brew_id INTEGER REFERENCES brew, station TEXT, warning TEXT NOT NULL,"
    " detail TEXT NOT NULL, PRIMARY KEY (bench_id, seq, time_us)) WITHOUT ROWID;"
    "CREATE INDEX warning_by_brew ON warning (brew_id) WHERE brew_id IS NOT NULL;";

/* A stage reported takes back every one that was reported to begin at its time or later: what was corrected stays in
 * the table and is not shown.  Within a millisecond is the same time. */
#define STAGE_STANDS(row)                                                                         \
    "NOT EXISTS (SELECT 1 FROM stage r WHERE r.brew_id = " row ".brew_id AND r.seq > " row ".seq" \
    " AND CASE WHEN r.boot_id = " row ".boot_id THEN r.at_mono_us - " row ".at_mono_us"           \
    " ELSE r.at_us - " row ".at_us END <= 1000)"

/* Seconds since first water: the earliest beginning of bloom or pour that stands; across a restart of the machine
 * only UTC compares. */
#define FIRST_WATER                                                                         \
    "LEFT JOIN stage w ON w.brew_id = b.brew_id AND w.seq = (SELECT seq FROM stage f WHERE" \
    " f.brew_id = b.brew_id AND f.stage IN ('bloom', 'pour') AND " STAGE_STANDS(            \
        "f") " ORDER BY f.at_us, f.seq LIMIT 1)"

static const char *const views[] = {
    "VIEW brew_trace AS SELECT b.name AS brew, t.seq AS seq, i.name AS instrument, i.quantity AS quantity,"
    " i.unit AS unit, i.weighs AS weighs, CASE WHEN t.boot_id = w.boot_id THEN (t.mono_us - w.at_mono_us) / 1e6"
    " ELSE (t.time_us - w.at_us) / 1e6 END AS seconds, t.value AS value, t.decimals AS decimals,"
    " t.stable AS stable, t.status AS status, t.time_us AS time_us, t.mono_us AS mono_us"
    " FROM brew b JOIN trace t USING (brew_id) JOIN instrument i USING (instrument_id) " FIRST_WATER
    /* it opens a little before its brew, to show the rest from which the first change is measured */
    " WHERE NOT coalesce(t.boot_id = b.boot_id AND t.mono_us < b.began_mono_us - 5000000, 0)",
    "VIEW brew_stage AS SELECT b.name AS brew, s.seq AS seq, s.stage AS stage,"
    " CASE WHEN s.boot_id = w.boot_id THEN (s.at_mono_us - w.at_mono_us) / 1e6"
    " ELSE (s.at_us - w.at_us) / 1e6 END AS seconds, s.uncertainty_us / 1e6 AS seconds_u, s.made_by AS made_by,"
    " s.at_us AS time_us FROM brew b JOIN stage s USING (brew_id) " FIRST_WATER
    " WHERE s.stage <> 'idle' AND " STAGE_STANDS("s"),
};

/* One row per brew that was not discarded.  A column costs one look into `measure` and only where
 * it is asked for. */
static char *summary_view(bool temporary)
{
    static const char utc[] = "strftime('%%Y-%%m-%%dT%%H:%%M:%%S', b.%s / 1000000, 'unixepoch') ||"
                              " printf('.%%03dZ', b.%s / 1000 %% 1000) AS %s, ";
    sqlite3_str *sql = sqlite3_str_new(NULL);

    sqlite3_str_appendall(sql, temporary ? "CREATE TEMP" : "CREATE ");
    sqlite3_str_appendall(sql, " VIEW brew_summary AS SELECT b.name AS brew, h.name AS bench, b.station AS station, ");
    sqlite3_str_appendf(sql, utc, "began_us", "began_us", "began_utc");
    sqlite3_str_appendf(sql, utc, "ended_us", "ended_us", "ended_utc");
    sqlite3_str_appendall(sql, "e.name AS experiment, b.run AS run, b.replicate AS replicate, b.factors AS factors,"
                               " b.recipe AS recipe, ");
    for (int measure = 0; measure < MEASURE_COUNT; measure++) {
        const char *name = measure_name((enum measure)measure);
        static const char last[] = "(SELECT %s FROM measure m WHERE m.brew_id = b.brew_id AND m.measure = '%s'"
                                   " ORDER BY m.seq DESC LIMIT 1) AS %s%s, ";
        sqlite3_str_appendf(sql, last, "value", name, name, "");
        sqlite3_str_appendf(sql, last, "standard_uncertainty", name, name, "_u");
    }
    sqlite3_str_appendall(
        sql,
        "b.plan_kept AS plan_kept,"
        " (SELECT group_concat(m.measure) FROM measure m WHERE m.brew_id = b.brew_id AND m.above AND m.seq ="
        " (SELECT max(n.seq) FROM measure n WHERE n.brew_id = m.brew_id AND n.measure = m.measure)) AS above,"
        " (SELECT group_concat(text, '; ') FROM (SELECT text FROM note n WHERE n.brew_id = b.brew_id ORDER BY n.seq))"
        " AS note FROM brew b JOIN bench h USING (bench_id) LEFT JOIN experiment e USING (experiment_id)"
        " WHERE NOT b.discarded;");
    return sqlite3_str_finish(sql);
}

static int run(sqlite3 *database, const char *sql, struct why *why)
{
    if (!sql)
        return why_set(why, -ENOMEM, "not enough memory");
    if (sqlite3_exec(database, sql, NULL, NULL, NULL) != SQLITE_OK)
        return store_failed(database, sqlite3_db_filename(database, "main"), "making its tables", why);
    return 0;
}

/* 0 to 1: the first tables. */
static int to_version_1(sqlite3 *database, struct why *why)
{
    int error = run(database, tables, why);

    return error ? error : run(database, store_tasting_early_tables, why);
}

/* 1 to 2: a station may have two scales, distinguished by `weighs`; the summary has a column for pressed_dry. */
static int to_version_2(sqlite3 *database, struct why *why)
{
    return run(database, "ALTER TABLE instrument ADD COLUMN weighs TEXT", why); /* 'cup', or NULL */
}

/* 2 to 3: the stage in which the cup comes back is `weigh`, and two columns have names that say what they hold. */
static int to_version_3(sqlite3 *database, struct why *why)
{
    return run(database,
               "DROP VIEW IF EXISTS brew_trace; DROP VIEW IF EXISTS brew_stage; DROP VIEW IF EXISTS brew_summary;"
               "UPDATE stage SET stage = 'weigh' WHERE stage = 'weigh-out';"
               "ALTER TABLE brew RENAME COLUMN told_seq TO outcome_seq;"
               "ALTER TABLE tasting RENAME COLUMN told_by_eye TO distinct_by_eye",
               why);
}

/* 3 to 4: tastings that show a change.  Earlier ones stay as they were, under another name. */
static int to_version_4(sqlite3 *database, struct why *why)
{
    sqlite3_stmt *statement;
    bool empty;
    int error = run(database, store_tasting_rename_early, why);

    if (error)
        return error;
    if (sqlite3_prepare_v2(database, "SELECT 1 FROM early_tasting", -1, &statement, NULL) != SQLITE_OK)
        return run(database, "SELECT 1 FROM early_tasting", why);
    empty = sqlite3_step(statement) == SQLITE_DONE;
    sqlite3_finalize(statement);
    if (empty)
        error = run(database,
                    "DROP TABLE early_tasting_peek; DROP TABLE early_tasting_remark; DROP TABLE early_tasting_answer;"
                    "DROP TABLE early_tasting_set; DROP TABLE early_tasting_sample; DROP TABLE early_tasting",
                    why);
    return error ? error : run(database, store_tasting_tables, why);
}

/* 4 to 5: where the uncertainty of each strength comes from; seq is that of its measure. */
static int to_version_5(sqlite3 *database, struct why *why)
{
    return run(database,
               "CREATE TABLE strength_budget (brew_id INTEGER NOT NULL REFERENCES brew, seq INTEGER NOT NULL,"
               " part TEXT NOT NULL, standard_uncertainty REAL NOT NULL, freedom REAL," /* NULL: as good as known */
               " PRIMARY KEY (brew_id, seq, part)) WITHOUT ROWID",
               why);
}

/* 5 to 6: a trace holds the minute before its brew, which the view of it leaves out; no table changes. */
static int to_version_6(sqlite3 *database, struct why *why)
{
    (void)database;
    (void)why;
    return 0;
}

/* 6 to 7: what instruments showed of something known. */
static int to_version_7(sqlite3 *database, struct why *why)
{
    return run(database,
               "CREATE TABLE instrument_check (bench_id INTEGER NOT NULL REFERENCES bench, seq INTEGER NOT NULL,"
               " time_us INTEGER NOT NULL, instrument TEXT NOT NULL, kind TEXT NOT NULL, value REAL NOT NULL,"
               " reference REAL, brew_id INTEGER REFERENCES brew, PRIMARY KEY (bench_id, seq, time_us)) WITHOUT ROWID",
               why);
}

/* 7 to 8: for whoever follows the store: who it is among all, and a number of each brew that is the highest of all when
 * something of the brew was written last. */
static int to_version_8(sqlite3 *database, struct why *why)
{
    return run(database,
               "CREATE TABLE identity (store TEXT NOT NULL);"
               "INSERT INTO identity SELECT lower(hex(randomblob(16)));"
               "ALTER TABLE brew ADD COLUMN changed INTEGER NOT NULL DEFAULT 0; UPDATE brew SET changed = brew_id;"
               "CREATE INDEX brew_by_change ON brew (changed);",
               why);
}

/* 8 to 9: who gave the order that brought an event about. */
static int to_version_9(sqlite3 *database, struct why *why)
{
    return run(database,
               "CREATE TABLE asked_by (bench_id INTEGER NOT NULL REFERENCES bench, seq INTEGER NOT NULL,"
               " time_us INTEGER NOT NULL, brew_id INTEGER REFERENCES brew, name TEXT NOT NULL,"
               " PRIMARY KEY (bench_id, seq, time_us)) WITHOUT ROWID",
               why);
}

/* 9 to 10: the bench behind its name, as it publishes it; NULL: not heard yet. */
static int to_version_10(sqlite3 *database, struct why *why)
{
    return run(database, "ALTER TABLE bench ADD COLUMN identity TEXT", why);
}

/* 10 to 11: in which units the bench shows its numbers, as its state has them; what is kept stays in kPa and °C. */
static int to_version_11(sqlite3 *database, struct why *why)
{
    return run(database, "ALTER TABLE bench ADD COLUMN units TEXT", why); /* JSON, or NULL */
}

/* 11 to 12: which vessel an instrument was shown, and the alarms of what watches it; `brews` is a JSON list of names.
 */
static int to_version_12(sqlite3 *database, struct why *why)
{
    return run(database,
               "ALTER TABLE instrument_check ADD COLUMN vessel TEXT;"
               "CREATE TABLE instrument_alarm (bench_id INTEGER NOT NULL REFERENCES bench, seq INTEGER NOT NULL,"
               " time_us INTEGER NOT NULL, instrument TEXT NOT NULL, kind TEXT NOT NULL, since_us INTEGER NOT NULL,"
               " change REAL NOT NULL, once INTEGER NOT NULL, brews TEXT NOT NULL,"
               " PRIMARY KEY (bench_id, seq, time_us)) WITHOUT ROWID",
               why);
}

/* Views are made again with every version: they hold no data. */
int store_make_views(sqlite3 *database, bool temporary, struct why *why)
{
    char *summary = summary_view(temporary);
    int error = temporary ? 0
                          : run(database,
                                "DROP VIEW IF EXISTS brew_trace; DROP VIEW IF EXISTS brew_stage;"
                                "DROP VIEW IF EXISTS brew_summary;",
                                why);

    for (size_t i = 0; i < sizeof views / sizeof *views && !error; i++) {
        char *sql = sqlite3_mprintf("CREATE %s %s", temporary ? "TEMP" : "", views[i]);

        error = run(database, sql, why);
        sqlite3_free(sql);
    }
    if (!error)
        error = run(database, summary, why);
    sqlite3_free(summary);
    return error;
}

/* step[v] brings version v to v + 1, inside the caller's transaction. */
static int (*const step[STORE_VERSION])(sqlite3 *database, struct why *why) = {
    to_version_1, to_version_2, to_version_3, to_version_4,  to_version_5,  to_version_6,
    to_version_7, to_version_8, to_version_9, to_version_10, to_version_11, to_version_12
};

int store_make_tables(sqlite3 *database, int version, struct why *why)
{
    int error = 0;

    for (int at = 0; at < version && !error; at++)
        error = step[at](database, why);
    return error;
}

int store_migrate(sqlite3 *database, int from_version, struct why *why)
{
    char stamp[80];
    int error = 0;

    for (int version = from_version; version < STORE_VERSION && !error; version++)
        error = step[version](database, why);
    if (!error)
        error = store_make_views(database, false, why);
    if (error)
        return error;
    snprintf(stamp, sizeof stamp, "PRAGMA application_id = %d; PRAGMA user_version = %d;", STORE_APPLICATION_ID,
             STORE_VERSION);
    return run(database, stamp, why);
}

const char *const store_statements[STATEMENT_COUNT] = {
    [STATEMENT_BENCH_ADD] = "INSERT INTO bench (name) VALUES (?1) ON CONFLICT DO NOTHING",
    [STATEMENT_BENCH_FIND] = "SELECT bench_id FROM bench WHERE name = ?1",
    [STATEMENT_BOOT_ADD] = "INSERT INTO boot (name) VALUES (?1) ON CONFLICT DO NOTHING",
    [STATEMENT_BOOT_FIND] = "SELECT boot_id FROM boot WHERE name = ?1",
    [STATEMENT_INSTRUMENT_ADD] = "INSERT INTO instrument (bench_id, name, quantity, unit, weighs) VALUES (?1, ?2, ?3,"
                                 " ?4, ?5) ON CONFLICT DO UPDATE SET weighs = excluded.weighs",
    [STATEMENT_INSTRUMENT_FIND] = "SELECT instrument_id FROM instrument WHERE bench_id = ?1 AND name = ?2"
                                  " AND quantity = ?3",
    [STATEMENT_BREW_ADD] = "INSERT INTO brew (name, bench_id, station) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
    [STATEMENT_BREW_FIND] = "SELECT brew_id FROM brew WHERE name = ?1",
    /* of no other: without a begin it has only just been made, or its begin was lost and more is known */
    [STATEMENT_BREW_SAME] = "SELECT brew_id FROM brew b WHERE brew_id = ?1 AND CASE WHEN begin_seq IS NULL"
                            " THEN NOT EXISTS (SELECT 1 FROM stage s WHERE s.brew_id = b.brew_id) AND"
                            " NOT EXISTS (SELECT 1 FROM measure m WHERE m.brew_id = b.brew_id)"
                            " ELSE boot_id = ?2 AND began_mono_us - ?3 > -?4 AND began_mono_us - ?3 < ?4 END",
    [STATEMENT_BREW_TWIN] = "SELECT brew_id FROM brew WHERE bench_id = ?1 AND boot_id = ?2 AND station = ?5"
                            " AND began_mono_us - ?3 > -?4 AND began_mono_us - ?3 < ?4",
    [STATEMENT_BREW_RENAME] = "UPDATE OR IGNORE brew SET name = ?2, changed = (SELECT max(changed) + 1 FROM brew)"
                              " WHERE brew_id = ?1",
    [STATEMENT_BREW_BEGIN] = "UPDATE brew SET boot_id = ?2, begin_seq = ?3, began_us = ?4, began_mono_us = ?5,"
                             " station = ?6 WHERE brew_id = ?1 AND begin_seq IS NULL",
    [STATEMENT_BREW_PLAN] = "UPDATE brew SET experiment_id = ?2, run = ?3, replicate = ?4, factors = ?5, recipe = ?6,"
                            " tolerances = ?7"
                            " WHERE brew_id = ?1 AND experiment_id IS NULL AND recipe IS NULL",
    /* by a verdict, which must be the newest word on the brew */
    [STATEMENT_BREW_CREDIT] = "UPDATE brew SET experiment_id = ?2, run = ?3, replicate = ?4, factors = ?5, recipe = ?6,"
                              " tolerances = ?7 WHERE brew_id = ?1 AND outcome_seq = ?8",
    [STATEMENT_BREW_END] = "UPDATE brew SET outcome_seq = ?2, ended_us = ?3, ended_mono_us = ?4,"
                           " plan_kept = coalesce(?5, plan_kept), reason = coalesce(?6, reason)"
                           " WHERE brew_id = ?1 AND outcome_seq < ?2",
    [STATEMENT_BREW_DISCARD] = "UPDATE brew SET outcome_seq = ?2, ended_us = ?3, ended_mono_us = ?4, discarded = 1,"
                               " reason = coalesce(?6, reason) WHERE brew_id = ?1 AND outcome_seq < ?2",
    [STATEMENT_BREW_VERDICT] = "UPDATE brew SET outcome_seq = ?2, plan_kept = ?3, reason = ?4"
                               " WHERE brew_id = ?1 AND outcome_seq < ?2",
    [STATEMENT_EXPERIMENT_ADD] = "INSERT INTO experiment (name, title, definition) VALUES (?1, ?2, ?3)"
                                 " ON CONFLICT (name)"
                                 " DO UPDATE SET title = coalesce(excluded.title, title),"
                                 " definition = coalesce(excluded.definition, definition)",
    [STATEMENT_EXPERIMENT_FIND] = "SELECT experiment_id FROM experiment WHERE name = ?1",
    [STATEMENT_STAGE] = "INSERT INTO stage (brew_id, seq, stage, boot_id, at_us, at_mono_us, uncertainty_us, made_by)"
                        " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING",
    [STATEMENT_MEASURE] = "INSERT INTO measure (brew_id, measure, seq, value, standard_uncertainty, above, made_by,"
                          " time_us) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING",
    /* the summary at a brew's end repeats what is known: only what it says again is a row */
    [STATEMENT_MEASURE_IF_NEW] = "INSERT INTO measure (brew_id, measure, seq, value, standard_uncertainty, above,"
                                 " made_by, time_us) SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8 WHERE NOT EXISTS"
                                 " (SELECT 1 FROM"
                                 " (SELECT value, standard_uncertainty FROM measure WHERE brew_id = ?1 AND measure = ?2"
                                 " AND seq < ?3 ORDER BY seq DESC LIMIT 1) WHERE value IS ?4"
                                 " AND standard_uncertainty IS ?5) ON CONFLICT DO NOTHING",
    /* ?6 is the list of readings as JSON: those that are new to the brew or passed another filter than it was thought,
     * and those it lost */
    [STATEMENT_ASSIGN] = "INSERT INTO assignment (bench_id, reading_seq, seq, time_us, brew_id, made_by, filtered,"
                         " sample_c) SELECT ?1, r.value, ?2, ?3, ?4, ?5, ?7, ?8 FROM json_each(?6) r WHERE NOT EXISTS"
                         " (SELECT 1 FROM assignment a WHERE a.bench_id = ?1 AND a.reading_seq = r.value"
                         " AND a.brew_id IS ?4 AND a.filtered IS ?7 AND a.seq = (SELECT max(l.seq) FROM assignment l"
                         " WHERE l.bench_id = ?1 AND l.reading_seq = r.value)) ON CONFLICT DO NOTHING",
    [STATEMENT_UNASSIGN] = "INSERT INTO assignment (bench_id, reading_seq, seq, time_us, brew_id, made_by)"
                           " SELECT ?1, a.reading_seq, ?2, ?3, NULL, ?5 FROM assignment a WHERE a.brew_id = ?4"
                           " AND a.reading_seq NOT IN (SELECT value FROM json_each(?6)) AND a.seq = (SELECT max(l.seq)"
                           " FROM assignment l WHERE l.bench_id = ?1 AND l.reading_seq = a.reading_seq)"
                           " ON CONFLICT DO NOTHING",
    [STATEMENT_BUDGET] = "INSERT INTO strength_budget (brew_id, seq, part, standard_uncertainty, freedom)"
                         " VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT DO NOTHING",
    [STATEMENT_ASKED_BY] = "INSERT INTO asked_by (bench_id, seq, time_us, brew_id, name) VALUES (?1, ?2, ?3, ?4, ?5)"
                           " ON CONFLICT DO NOTHING",
    [STATEMENT_CHECK] = "INSERT INTO instrument_check (bench_id, seq, time_us, instrument, kind, value, reference,"
                        " brew_id, vessel) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING",
    [STATEMENT_ALARM] =
        "INSERT INTO instrument_alarm (bench_id, seq, time_us, instrument, kind, since_us, change, once,"
        " brews) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING",
    [STATEMENT_NOTE] = "INSERT INTO note (brew_id, seq, time_us, text) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING",
    [STATEMENT_INSTRUMENT_EVENT] = "INSERT INTO instrument_event (bench_id, seq, instrument, time_us, change, detail)"
                                   " VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO NOTHING",
    [STATEMENT_WARNING] = "INSERT INTO warning (bench_id, seq, brew_id, station, time_us, warning, detail)"
                          " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO NOTHING",
    [STATEMENT_GAP] = "INSERT INTO gap (bench_id, after_seq, before_seq, time_us) VALUES (?1, ?2, ?3, ?4)"
                      " ON CONFLICT DO NOTHING",
    [STATEMENT_TRACE] = "INSERT INTO trace (brew_id, seq, instrument_id, boot_id, time_us, mono_us, value, decimals,"
                        " stable, status) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) ON CONFLICT DO NOTHING",
    [STATEMENT_READING] = "INSERT INTO reading (bench_id, seq, instrument_id, boot_id, time_us, mono_us, value,"
                          " decimals, stable, status) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)"
                          " ON CONFLICT DO NOTHING",
    [STATEMENT_PROGRESS] = "INSERT INTO progress (bench_id, seq, time_us) VALUES (?1, ?2, ?3) ON CONFLICT (bench_id)"
                           " DO UPDATE SET seq = excluded.seq, time_us = excluded.time_us"
                           " WHERE excluded.seq > seq OR ?4",
    [STATEMENT_CHANGED] = "UPDATE brew SET changed = (SELECT max(changed) + 1 FROM brew) WHERE brew_id = ?1",
};
