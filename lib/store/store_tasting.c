/* Tastings in the store; see store_tasting.h.  Statements are prepared where they are used: a tasting
 * is written a few times an hour. */
#include "poise/store_tasting.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "store_schema.h"
#include "store_sql.h"

/* Versions 1 to 3. */
const char store_tasting_early_tables[] =
    "CREATE TABLE tasting (tasting_id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, question TEXT NOT NULL,"
    " experiment TEXT NOT NULL, method TEXT NOT NULL, sets INTEGER NOT NULL, alone INTEGER NOT NULL,"
    " told_by_eye INTEGER NOT NULL, seal TEXT NOT NULL, key TEXT NOT NULL, made_us INTEGER NOT NULL,"
    " revealed_us INTEGER NOT NULL DEFAULT 0);"
    "CREATE TABLE tasting_sample (tasting_id INTEGER NOT NULL REFERENCES tasting, sample INTEGER NOT NULL,"
    " label TEXT NOT NULL, PRIMARY KEY (tasting_id, sample)) WITHOUT ROWID;"
    "CREATE TABLE tasting_set (tasting_id INTEGER NOT NULL REFERENCES tasting, tasting_set INTEGER NOT NULL,"
    " taster TEXT NOT NULL, PRIMARY KEY (tasting_id, tasting_set)) WITHOUT ROWID;"
    "CREATE TABLE tasting_answer (tasting_id INTEGER NOT NULL, tasting_set INTEGER NOT NULL, taster TEXT NOT NULL,"
    " answer TEXT NOT NULL, sure INTEGER NOT NULL, words TEXT NOT NULL, answered_us INTEGER NOT NULL,"
    " PRIMARY KEY (tasting_id, tasting_set),"
    " FOREIGN KEY (tasting_id, tasting_set) REFERENCES tasting_set) WITHOUT ROWID;"
    "CREATE TABLE tasting_remark (tasting_id INTEGER NOT NULL REFERENCES tasting, code INTEGER NOT NULL,"
    " taster TEXT NOT NULL, text TEXT NOT NULL, PRIMARY KEY (tasting_id, code)) WITHOUT ROWID;"
    "CREATE TABLE tasting_peek (tasting_id INTEGER NOT NULL REFERENCES tasting, peeked_us INTEGER NOT NULL);";

/* What older versions kept stays under another name, as it was. */
const char store_tasting_rename_early[] =
    "DROP TRIGGER IF EXISTS answer_stands; DROP TRIGGER IF EXISTS answer_stays;"
    "DROP TRIGGER IF EXISTS answer_comes_first; DROP TRIGGER IF EXISTS peek_stands; DROP TRIGGER IF EXISTS peek_stays;"
    "ALTER TABLE tasting RENAME TO early_tasting; ALTER TABLE tasting_sample RENAME TO early_tasting_sample;"
    "ALTER TABLE tasting_set RENAME TO early_tasting_set; ALTER TABLE tasting_answer RENAME TO early_tasting_answer;"
    "ALTER TABLE tasting_remark RENAME TO early_tasting_remark; ALTER TABLE tasting_peek RENAME TO early_tasting_peek;";

/* The triggers stop accidents; whoever drops them is found by the hashes. */
const char store_tasting_tables[] =
    "CREATE TABLE tasting_session (name TEXT NOT NULL PRIMARY KEY, text TEXT NOT NULL, seal TEXT NOT NULL,"
    " lock TEXT NOT NULL, ratchet TEXT NOT NULL) WITHOUT ROWID;"
    "CREATE TABLE tasting_entry (session TEXT NOT NULL REFERENCES tasting_session, number INTEGER NOT NULL,"
    " time_us INTEGER NOT NULL, kind TEXT NOT NULL, who TEXT NOT NULL, tasting_set INTEGER NOT NULL,"
    " answer TEXT NOT NULL, sure INTEGER NOT NULL, text TEXT NOT NULL, hash TEXT NOT NULL, proof TEXT NOT NULL,"
    " PRIMARY KEY (session, number)) WITHOUT ROWID;"
    "CREATE TRIGGER entry_stands BEFORE UPDATE ON tasting_entry BEGIN SELECT RAISE(ABORT, 'an entry stands'); END;"
    "CREATE TRIGGER entry_stays BEFORE DELETE ON tasting_entry BEGIN SELECT RAISE(ABORT, 'an entry stays'); END;"
    "CREATE TRIGGER session_stands BEFORE UPDATE OF name, text, seal, lock ON tasting_session"
    " BEGIN SELECT RAISE(ABORT, 'what is sealed stands'); END;"
    "CREATE TRIGGER session_stays BEFORE DELETE ON tasting_session"
    " BEGIN SELECT RAISE(ABORT, 'what is sealed stays'); END;";

static int failed(struct store *store, const char *doing, struct why *why)
{
    return store_failed_at(store, doing, why);
}

/* Prepares and binds: i = int64_t, t = text.  NULL when it cannot. */
static sqlite3_stmt *ask(struct store *store, const char *sql, const char *kinds, ...)
{
    sqlite3_stmt *statement;
    va_list arguments;

    if (sqlite3_prepare_v2(store_database(store), sql, -1, &statement, NULL) != SQLITE_OK)
        return NULL;
    va_start(arguments, kinds);
    for (int i = 0; kinds[i]; i++)
        if (kinds[i] == 'i')
            sqlite3_bind_int64(statement, i + 1, va_arg(arguments, int64_t));
        else
            sqlite3_bind_text(statement, i + 1, va_arg(arguments, const char *), -1, SQLITE_TRANSIENT);
    va_end(arguments);
    return statement;
}

/* Runs a statement that returns nothing.  -EEXIST where such a row is there already. */
static int carry_out(struct store *store, sqlite3_stmt *statement, const char *doing, struct why *why)
{
    int code = statement ? sqlite3_step(statement) : SQLITE_ERROR;

    sqlite3_finalize(statement);
    if (code == SQLITE_DONE)
        return 0;
    return (code & 0xff) == SQLITE_CONSTRAINT
               ? why_set(why, -EEXIST, "%s: there already (%s)", store_path(store), doing)
               : failed(store, doing, why);
}

/* What is no text, or has bytes behind its end, is given as a text that nothing has. */
static const char *column_text(sqlite3_stmt *statement, int column)
{
    const char *text = (const char *)sqlite3_column_text(statement, column);

    if (!text)
        return "";
    return strlen(text) == (size_t)sqlite3_column_bytes(statement, column) ? text : "\x01";
}

/* A number that is no whole one is given as one that nothing has. */
static int64_t column_whole(sqlite3_stmt *statement, int column)
{
    return sqlite3_column_type(statement, column) == SQLITE_INTEGER ? sqlite3_column_int64(statement, column)
                                                                    : INT32_MIN;
}

static int column_small(sqlite3_stmt *statement, int column)
{
    int64_t whole = column_whole(statement, column);

    return whole >= INT32_MIN && whole <= INT32_MAX ? (int)whole : INT32_MIN;
}

static void copy_text(char *out, size_t size, sqlite3_stmt *statement, int column)
{
    snprintf(out, size, "%s", column_text(statement, column));
}

/* Stores that were opened for reading may be of a version that had no such table. */
static bool has_table(struct store *store, const char *name)
{
    sqlite3_stmt *statement = ask(store, "SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = ?1", "t", name);
    bool has = statement && sqlite3_step(statement) == SQLITE_ROW;

    sqlite3_finalize(statement);
    return has;
}

int store_tasting_begin(struct store *store, struct why *why)
{
    return sqlite3_exec(store_database(store), "BEGIN IMMEDIATE", NULL, NULL, NULL) == SQLITE_OK
               ? 0
               : failed(store, "writing a tasting", why);
}

int store_tasting_commit(struct store *store, struct why *why)
{
    if (sqlite3_exec(store_database(store), "COMMIT", NULL, NULL, NULL) == SQLITE_OK)
        return 0;
    failed(store, "writing a tasting", why);
    store_tasting_rollback(store);
    return -EIO;
}

void store_tasting_rollback(struct store *store)
{
    sqlite3_exec(store_database(store), "ROLLBACK", NULL, NULL, NULL);
}

static int none_such(struct store *store, const char *name, struct why *why)
{
    sqlite3_stmt *statement = ask(store,
                                  "SELECT group_concat(name, ', ') FROM (SELECT session AS name, min(time_us) FROM"
                                  " tasting_entry GROUP BY session ORDER BY 2 DESC LIMIT 5)",
                                  "");

    if (statement && sqlite3_step(statement) == SQLITE_ROW && sqlite3_column_text(statement, 0))
        why_set(why, -ENOENT, "there is no tasting '%s'; the latest are %s", name, column_text(statement, 0));
    else
        why_set(why, -ENOENT, "there is no tasting '%s': make one with poise-taste new", name);
    sqlite3_finalize(statement);
    return -ENOENT;
}

int store_tasting_read(struct store *store, const char *name, struct store_tasting_row *out, struct why *why)
{
    sqlite3_stmt *statement;
    int code;

    memset(out, 0, sizeof *out);
    if (!has_table(store, "tasting_session"))
        return none_such(store, name, why);
    statement = ask(store, "SELECT name, text, seal, lock, ratchet FROM tasting_session WHERE name = ?1", "t", name);
    code = statement ? sqlite3_step(statement) : SQLITE_ERROR;
    if (code == SQLITE_ROW) {
        char **column[] = { &out->name, &out->text, &out->seal, &out->lock, &out->ratchet };

        for (int i = 0; i < 5; i++)
            if (!(*column[i] = strdup(column_text(statement, i))))
                code = SQLITE_NOMEM;
    }
    sqlite3_finalize(statement);
    if (code == SQLITE_ROW)
        return 0;
    store_tasting_row_free(out);
    if (code == SQLITE_NOMEM)
        return why_set(why, -ENOMEM, "not enough memory");
    return code == SQLITE_DONE ? none_such(store, name, why) : failed(store, "reading a tasting", why);
}

void store_tasting_row_free(struct store_tasting_row *row)
{
    free(row->name);
    free(row->text);
    free(row->seal);
    free(row->lock);
    free(row->ratchet);
    memset(row, 0, sizeof *row);
}

static int take_entry(sqlite3_stmt *statement, struct store_tasting_entry *entry)
{
    entry->number = column_small(statement, 0);
    entry->time_us = column_whole(statement, 1);
    copy_text(entry->kind, sizeof entry->kind, statement, 2);
    copy_text(entry->who, sizeof entry->who, statement, 3);
    entry->set = column_small(statement, 4);
    copy_text(entry->answer, sizeof entry->answer, statement, 5);
    entry->sure = column_small(statement, 6);
    copy_text(entry->hash, sizeof entry->hash, statement, 8);
    copy_text(entry->proof, sizeof entry->proof, statement, 9);
    entry->text = strdup(column_text(statement, 7));
    return entry->text ? 0 : -ENOMEM;
}

int store_tasting_entries(struct store *store, const char *name, struct store_tasting_entry **out, struct why *why)
{
    sqlite3_stmt *statement = ask(store,
                                  "SELECT number, time_us, kind, who, tasting_set, answer, sure, text, hash, proof"
                                  " FROM tasting_entry WHERE session = ?1 ORDER BY number",
                                  "t", name);
    struct store_tasting_entry *entries = NULL;
    int count = 0, code, error = 0;

    if (!statement)
        return failed(store, "reading a tasting", why);
    while (!error && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        struct store_tasting_entry *more = realloc(entries, (size_t)(count + 1) * sizeof *entries);

        if (!more || take_entry(statement, &more[count]) != 0)
            error = why_set(why, -ENOMEM, "not enough memory");
        else
            count++;
        entries = more ? more : entries;
    }
    sqlite3_finalize(statement);
    if (!error && code != SQLITE_DONE)
        error = failed(store, "reading a tasting", why);
    if (error) {
        store_tasting_entries_free(entries, count);
        return error;
    }
    *out = entries;
    return count;
}

void store_tasting_entries_free(struct store_tasting_entry *entries, int count)
{
    for (int i = 0; i < count; i++)
        free(entries[i].text);
    free(entries);
}

int store_tasting_add(struct store *store, const struct store_tasting_row *row, struct why *why)
{
    int error = carry_out(store,
                          ask(store, "INSERT INTO tasting_session VALUES (?1, ?2, ?3, ?4, ?5)", "ttttt", row->name,
                              row->text, row->seal, row->lock, row->ratchet),
                          "writing a tasting", why);

    return error == -EEXIST ? why_set(why, -EEXIST, "there is a tasting '%s' already: choose another name", row->name)
                            : error;
}

int store_tasting_append(struct store *store, const char *name, const struct store_tasting_entry *entry,
                         const char *ratchet, struct why *why)
{
    int error =
        carry_out(store,
                  ask(store, "INSERT INTO tasting_entry VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
                      "tiittitittt", name, (int64_t)entry->number, entry->time_us, entry->kind, entry->who,
                      (int64_t)entry->set, entry->answer, (int64_t)entry->sure, entry->text, entry->hash, entry->proof),
                  "writing a tasting's entry", why);

    return error ? error
                 : carry_out(store,
                             ask(store, "UPDATE tasting_session SET ratchet = ?2 WHERE name = ?1", "tt", name, ratchet),
                             "writing a tasting", why);
}

int store_tasting_names(struct store *store, int (*each)(const char *name, bool lost, void *context), void *context,
                        struct why *why)
{
    sqlite3_stmt *statement;
    int code, stop = 0;

    if (!has_table(store, "tasting_session"))
        return 0;
    statement = ask(store,
                    "SELECT s.name, 0, min(e.time_us) FROM tasting_session s LEFT JOIN tasting_entry e"
                    " ON e.session = s.name GROUP BY s.name UNION ALL SELECT e.session, 1, min(e.time_us)"
                    " FROM tasting_entry e WHERE e.session NOT IN (SELECT name FROM tasting_session)"
                    " GROUP BY e.session ORDER BY 3",
                    "");
    if (!statement)
        return failed(store, "listing tastings", why);
    while (!stop && (code = sqlite3_step(statement)) == SQLITE_ROW)
        stop = each(column_text(statement, 0), sqlite3_column_int(statement, 1) != 0, context);
    sqlite3_finalize(statement);
    return stop || code == SQLITE_DONE ? stop : failed(store, "listing tastings", why);
}

/* ---- brews ---- */

static double number_or_nan(sqlite3_stmt *statement, int column)
{
    return sqlite3_column_type(statement, column) == SQLITE_NULL ? (double)NAN
                                                                 : sqlite3_column_double(statement, column);
}

int store_tasting_brew(struct store *store, const char *name, struct store_tasting_brew *out, struct why *why)
{
    static const char last[] = "(SELECT value FROM measure m WHERE m.brew_id = b.brew_id AND m.measure = ";
    char sql[1024];
    sqlite3_stmt *statement;
    int code, error = 0;

    snprintf(sql, sizeof sql,
             "SELECT b.name, e.name, b.factors, %s'dose_g' ORDER BY seq DESC LIMIT 1), %s'water_g' ORDER BY seq DESC"
             " LIMIT 1), %s'beverage_g' ORDER BY seq DESC LIMIT 1), b.discarded FROM brew b LEFT JOIN experiment e"
             " USING (experiment_id) WHERE b.name = ?1 OR (substr(b.name, -length(?1)) = ?1 AND NOT EXISTS"
             " (SELECT 1 FROM brew w WHERE w.name = ?1)) LIMIT 2",
             last, last, last);
    statement = *name ? ask(store, sql, "t", name) : NULL;
    code = statement ? sqlite3_step(statement) : *name ? SQLITE_ERROR : SQLITE_DONE;
    if (code == SQLITE_ROW) {
        copy_text(out->name, sizeof out->name, statement, 0);
        copy_text(out->experiment, sizeof out->experiment, statement, 1);
        copy_text(out->level, sizeof out->level, statement, 2);
        out->dose_g = number_or_nan(statement, 3);
        out->water_g = number_or_nan(statement, 4);
        out->beverage_g = number_or_nan(statement, 5);
        out->discarded = sqlite3_column_int(statement, 6) != 0;
        if (sqlite3_step(statement) == SQLITE_ROW)
            error = why_set(why, -EINVAL, "several brews are called '...%s': give more of the name", name);
    } else if (code == SQLITE_DONE)
        error = why_set(
            why, -ENOENT,
            "there is no brew '%s' in the store: samples are poured from brews (poise-ctl brews lists them)", name);
    else
        error = failed(store, "looking for a brew", why);
    sqlite3_finalize(statement);
    return error;
}

/* ---- older versions ---- */

static void take_samples(struct store *store, int64_t row, struct store_tasting_early *out)
{
    sqlite3_stmt *statement =
        ask(store, "SELECT label FROM early_tasting_sample WHERE tasting_id = ?1 ORDER BY sample", "i", row);

    for (out->samples = 0; statement && out->samples < 10 && sqlite3_step(statement) == SQLITE_ROW; out->samples++)
        copy_text(out->sample[out->samples], sizeof out->sample[0], statement, 0);
    sqlite3_finalize(statement);
}

int store_tasting_early_each(struct store *store, int (*each)(const struct store_tasting_early *tasting, void *context),
                             void *context, struct why *why)
{
    sqlite3_stmt *statement;
    int code, stop = 0;

    if (!has_table(store, "early_tasting"))
        return 0;
    statement =
        ask(store,
            "SELECT name, question, experiment, method, sets, (SELECT count(*) FROM early_tasting_answer a WHERE"
            " a.tasting_id = t.tasting_id), alone, distinct_by_eye, (SELECT count(*) FROM early_tasting_peek p"
            " WHERE p.tasting_id = t.tasting_id), made_us, revealed_us, tasting_id FROM early_tasting t"
            " ORDER BY made_us, tasting_id",
            "");
    if (!statement)
        return failed(store, "listing tastings", why);
    while (!stop && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        struct store_tasting_early early = { .sets = sqlite3_column_int(statement, 4),
                                             .answered = sqlite3_column_int(statement, 5),
                                             .alone = sqlite3_column_int(statement, 6) != 0,
                                             .seen = sqlite3_column_int(statement, 7) != 0,
                                             .peeked = sqlite3_column_int(statement, 8) != 0,
                                             .made_us = sqlite3_column_int64(statement, 9),
                                             .revealed_us = sqlite3_column_int64(statement, 10) };

        copy_text(early.name, sizeof early.name, statement, 0);
        copy_text(early.question, sizeof early.question, statement, 1);
        copy_text(early.experiment, sizeof early.experiment, statement, 2);
        copy_text(early.method, sizeof early.method, statement, 3);
        take_samples(store, sqlite3_column_int64(statement, 11), &early);
        stop = each(&early, context);
    }
    sqlite3_finalize(statement);
    return stop || code == SQLITE_DONE ? stop : failed(store, "listing tastings", why);
}
