/* Tastings in the store; see store_tasting.h.  Statements are prepared where they are used: a tasting
 * is written a few times an hour. */
#include "poise/store_tasting.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "store_parts.h"

const char store_tasting_tables[] =
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
    "CREATE TABLE tasting_peek (tasting_id INTEGER NOT NULL REFERENCES tasting, peeked_us INTEGER NOT NULL);"
    /* what was said before the reveal is not said again */
    "CREATE TRIGGER answer_stands BEFORE UPDATE ON tasting_answer BEGIN SELECT RAISE(ABORT, 'an answer stands'); END;"
    "CREATE TRIGGER answer_stays BEFORE DELETE ON tasting_answer BEGIN SELECT RAISE(ABORT, 'an answer stays'); END;"
    "CREATE TRIGGER answer_comes_first BEFORE INSERT ON tasting_answer WHEN (SELECT revealed_us FROM tasting t"
    " WHERE t.tasting_id = NEW.tasting_id) > 0 BEGIN SELECT RAISE(ABORT, 'the key is open'); END;"
    "CREATE TRIGGER peek_stands BEFORE UPDATE ON tasting_peek BEGIN SELECT RAISE(ABORT, 'a peek stands'); END;"
    "CREATE TRIGGER peek_stays BEFORE DELETE ON tasting_peek BEGIN SELECT RAISE(ABORT, 'a peek stays'); END;";

static int failed(struct store *store, const char *doing, struct why *why)
{
    return store_failed(store->database, store->path, doing, why);
}

/* Prepares and binds: i = int64_t, t = text.  NULL when it cannot. */
static sqlite3_stmt *ask(struct store *store, const char *sql, const char *kinds, ...)
{
    sqlite3_stmt *statement;
    va_list arguments;

    if (sqlite3_prepare_v2(store->database, sql, -1, &statement, NULL) != SQLITE_OK)
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

/* Runs a statement that returns nothing.  Returns SQLite's code. */
static int carry_out(sqlite3_stmt *statement)
{
    int code = statement ? sqlite3_step(statement) : SQLITE_ERROR;

    sqlite3_finalize(statement);
    return code == SQLITE_DONE ? SQLITE_OK : code;
}

static void copy_text(char *out, size_t size, sqlite3_stmt *statement, int column)
{
    const unsigned char *text = sqlite3_column_text(statement, column);

    snprintf(out, size, "%s", text ? (const char *)text : "");
}

/* The row number of a session; 0: there is none; negative: an errno. */
static int64_t find(struct store *store, const char *name, struct why *why)
{
    sqlite3_stmt *statement = ask(store, "SELECT tasting_id FROM tasting WHERE name = ?1", "t", name);
    int code = statement ? sqlite3_step(statement) : SQLITE_ERROR;
    int64_t row = code == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;

    sqlite3_finalize(statement);
    return code == SQLITE_ROW || code == SQLITE_DONE ? row : failed(store, "looking for a tasting", why);
}

static int64_t must_find(struct store *store, const char *name, struct why *why)
{
    int64_t row = find(store, name, why);
    sqlite3_stmt *statement;

    if (row != 0)
        return row;
    statement = ask(store,
                    "SELECT group_concat(name, ', ') FROM (SELECT name FROM tasting ORDER BY made_us DESC"
                    " LIMIT 5)",
                    "");
    if (statement && sqlite3_step(statement) == SQLITE_ROW && sqlite3_column_text(statement, 0))
        why_set(why, -ENOENT, "there is no tasting '%s'; the latest are %s", name, sqlite3_column_text(statement, 0));
    else
        why_set(why, -ENOENT, "there is no tasting '%s'; make one with poise-taste new", name);
    sqlite3_finalize(statement);
    return -ENOENT;
}

static int begin(struct store *store, struct why *why)
{
    return sqlite3_exec(store->database, "BEGIN IMMEDIATE", NULL, NULL, NULL) == SQLITE_OK
               ? 0
               : failed(store, "writing a tasting", why);
}

/* Commits when all went well, else takes everything back and says why. */
static int finish(struct store *store, int code, struct why *why)
{
    int error = 0;

    if (code == SQLITE_OK)
        code = sqlite3_exec(store->database, "COMMIT", NULL, NULL, NULL);
    if (code != SQLITE_OK) {
        error = failed(store, "writing a tasting", why);
        sqlite3_exec(store->database, "ROLLBACK", NULL, NULL, NULL);
    }
    return error;
}

static int add_samples_and_sets(struct store *store, int64_t row, const struct tasting_session *session)
{
    int code = SQLITE_OK;

    for (int64_t i = 0; i < session->sample_count && code == SQLITE_OK; i++)
        code =
            carry_out(ask(store, "INSERT INTO tasting_sample VALUES (?1, ?2, ?3)", "iit", row, i, session->sample[i]));
    for (int64_t i = 0; i < session->sets && code == SQLITE_OK; i++)
        code = carry_out(ask(store, "INSERT INTO tasting_set VALUES (?1, ?2, ?3)", "iit", row, i, session->taster[i]));
    return code;
}

int store_tasting_add(struct store *store, const struct tasting_session *session, struct why *why)
{
    int64_t row;
    int code, error = begin(store, why);

    if (error)
        return error;
    row = find(store, session->name, why);
    if (row != 0) {
        sqlite3_exec(store->database, "ROLLBACK", NULL, NULL, NULL);
        return row < 0 ? (int)row
                       : why_set(why, -EEXIST, "there is a tasting '%s' already: choose another name", session->name);
    }
    code = carry_out(ask(store,
                         "INSERT INTO tasting (name, question, experiment, method, sets, alone, distinct_by_eye,"
                         " seal, key, made_us) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
                         "ttttiiitti", session->name, session->question, session->experiment,
                         tasting_method_name(session->method), (int64_t)session->sets, (int64_t)session->alone,
                         (int64_t)session->seen, session->seal, session->key, session->made_us));
    if (code == SQLITE_OK)
        code = add_samples_and_sets(store, sqlite3_last_insert_rowid(store->database), session);
    return finish(store, code, why);
}

static int load_samples(struct store *store, int64_t row, struct tasting_session *out, struct why *why)
{
    sqlite3_stmt *statement =
        ask(store, "SELECT label FROM tasting_sample WHERE tasting_id = ?1 ORDER BY sample", "i", row);

    out->sample_count = 0;
    while (statement && sqlite3_step(statement) == SQLITE_ROW && out->sample_count < TASTING_CUPS)
        copy_text(out->sample[out->sample_count++], TASTING_LABEL_SIZE, statement, 0);
    if (sqlite3_finalize(statement) != SQLITE_OK || !statement)
        return failed(store, "reading a tasting", why);
    return 0;
}

static int load_sets(struct store *store, int64_t row, struct tasting_session *out, struct why *why)
{
    sqlite3_stmt *statement =
        ask(store, "SELECT taster FROM tasting_set WHERE tasting_id = ?1 ORDER BY tasting_set", "i", row);
    int sets = 0;

    while (statement && sqlite3_step(statement) == SQLITE_ROW && sets < TASTING_SETS)
        copy_text(out->taster[sets++], TASTING_NAME_SIZE, statement, 0);
    if (sqlite3_finalize(statement) != SQLITE_OK || !statement)
        return failed(store, "reading a tasting", why);
    if (sets != out->sets || out->sample_count < 2)
        return why_set(why, -EBADF, "%s: the tasting '%s' is damaged: %d of its %d sets are there", store->path,
                       out->name, sets, out->sets);
    return 0;
}

int store_tasting_load(struct store *store, const char *name, struct tasting_session *out, struct why *why)
{
    int64_t row = must_find(store, name, why);
    sqlite3_stmt *statement;
    char method[TASTING_NAME_SIZE];
    int found, error;

    if (row < 0)
        return (int)row;
    statement = ask(store,
                    "SELECT name, question, experiment, method, sets, alone, distinct_by_eye, seal, key, made_us,"
                    " revealed_us, (SELECT count(*) FROM tasting_peek p WHERE p.tasting_id = t.tasting_id)"
                    " FROM tasting t WHERE tasting_id = ?1",
                    "i", row);
    if (!statement || sqlite3_step(statement) != SQLITE_ROW) {
        sqlite3_finalize(statement);
        return failed(store, "reading a tasting", why);
    }
    copy_text(out->name, sizeof out->name, statement, 0);
    copy_text(out->question, sizeof out->question, statement, 1);
    copy_text(out->experiment, sizeof out->experiment, statement, 2);
    copy_text(method, sizeof method, statement, 3);
    out->sets = sqlite3_column_int(statement, 4);
    out->alone = sqlite3_column_int(statement, 5);
    out->seen = sqlite3_column_int(statement, 6);
    copy_text(out->seal, sizeof out->seal, statement, 7);
    copy_text(out->key, sizeof out->key, statement, 8);
    out->made_us = sqlite3_column_int64(statement, 9);
    out->revealed_us = sqlite3_column_int64(statement, 10);
    out->peeks = sqlite3_column_int(statement, 11);
    sqlite3_finalize(statement);
    found = tasting_method_find(method);
    if (found < 0)
        return why_set(why, -EBADF, "%s: the tasting '%s' has the unknown method '%s'", store->path, name, method);
    out->method = (enum tasting_method)found;
    error = load_samples(store, row, out, why);
    return error ? error : load_sets(store, row, out, why);
}

int store_tasting_answers(struct store *store, const char *name, struct tasting_answer *out, int most, struct why *why)
{
    int64_t row = must_find(store, name, why);
    sqlite3_stmt *statement;
    int count = 0;

    if (row < 0)
        return (int)row;
    statement = ask(store,
                    "SELECT tasting_set, taster, answer, sure, words FROM tasting_answer WHERE tasting_id = ?1"
                    " ORDER BY tasting_set",
                    "i", row);
    while (statement && count < most && sqlite3_step(statement) == SQLITE_ROW) {
        struct tasting_answer *answer = &out[count++];

        answer->set = sqlite3_column_int(statement, 0);
        copy_text(answer->taster, sizeof answer->taster, statement, 1);
        copy_text(answer->answer, sizeof answer->answer, statement, 2);
        answer->sure = sqlite3_column_int(statement, 3);
        copy_text(answer->words, sizeof answer->words, statement, 4);
    }
    if (sqlite3_finalize(statement) != SQLITE_OK || !statement)
        return failed(store, "reading answers", why);
    return count;
}

/* What stands in the way of an answer, looked at inside the transaction. */
static int may_answer(struct store *store, int64_t row, int set, struct why *why)
{
    sqlite3_stmt *statement = ask(store,
                                  "SELECT (SELECT revealed_us FROM tasting WHERE tasting_id = ?1),"
                                  " (SELECT count(*) FROM tasting_answer WHERE tasting_id = ?1"
                                  " AND tasting_set = ?2)",
                                  "ii", row, (int64_t)set);
    int error = 0;

    if (!statement || sqlite3_step(statement) != SQLITE_ROW)
        error = failed(store, "reading answers", why);
    else if (sqlite3_column_int64(statement, 0) > 0)
        error = why_set(why, -EROFS, "the key has been opened: no answer counts after that");
    else if (sqlite3_column_int(statement, 1) > 0)
        error = why_set(why, -EEXIST,
                        "set %d has been answered already (in another window perhaps); that answer "
                        "stands",
                        set + 1);
    sqlite3_finalize(statement);
    return error;
}

int store_tasting_answer_add(struct store *store, const char *name, const struct tasting_answer *answer,
                             const struct tasting_remark *remarks, int remark_count, int64_t time_us, struct why *why)
{
    int64_t row = must_find(store, name, why);
    int code, error = row < 0 ? (int)row : begin(store, why);

    if (error)
        return error;
    error = may_answer(store, row, answer->set, why);
    if (error) {
        sqlite3_exec(store->database, "ROLLBACK", NULL, NULL, NULL);
        return error;
    }
    code = carry_out(ask(store, "INSERT INTO tasting_answer VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)", "iittiti", row,
                         (int64_t)answer->set, answer->taster, answer->answer, (int64_t)answer->sure, answer->words,
                         time_us));
    for (int i = 0; i < remark_count && code == SQLITE_OK; i++)
        code = carry_out(ask(store,
                             "INSERT INTO tasting_remark VALUES (?1, ?2, ?3, ?4) ON CONFLICT (tasting_id, code)"
                             " DO UPDATE SET text = text || '; ' || excluded.text",
                             "iitt", row, (int64_t)remarks[i].code, answer->taster, remarks[i].text));
    return finish(store, code, why);
}

int store_tasting_set_key(struct store *store, const char *name, const char *key, struct why *why)
{
    int64_t row = must_find(store, name, why);
    int code, changed, error = row < 0 ? (int)row : begin(store, why);

    if (error)
        return error;
    code = carry_out(ask(store, "UPDATE tasting SET key = ?2 WHERE tasting_id = ?1 AND key = ''", "it", row, key));
    changed = sqlite3_changes(store->database);
    error = finish(store, code, why);
    return error || changed ? error : why_set(why, -EEXIST, "the tasting '%s' has its key already", name);
}

int store_tasting_opened(struct store *store, const char *name, bool peek, int64_t time_us, struct why *why)
{
    int64_t row = must_find(store, name, why);
    int code, error = row < 0 ? (int)row : begin(store, why);

    if (error)
        return error;
    code = peek ? carry_out(ask(store, "INSERT INTO tasting_peek VALUES (?1, ?2)", "ii", row, time_us)) : SQLITE_OK;
    if (code == SQLITE_OK)
        code = carry_out(ask(store, "UPDATE tasting SET revealed_us = ?2 WHERE tasting_id = ?1 AND revealed_us = 0",
                             "ii", row, time_us));
    return finish(store, code, why);
}

int store_tasting_each(struct store *store, int (*each)(const struct tasting_session *session, void *context),
                       void *context, struct why *why)
{
    sqlite3_stmt *statement = ask(store, "SELECT name FROM tasting ORDER BY made_us, tasting_id", "");
    struct tasting_session session;
    int error = statement ? 0 : failed(store, "listing tastings", why);

    while (!error && sqlite3_step(statement) == SQLITE_ROW) {
        error = store_tasting_load(store, (const char *)sqlite3_column_text(statement, 0), &session, why);
        if (!error && each(&session, context))
            break;
    }
    sqlite3_finalize(statement);
    return error;
}

int store_tasting_remarks(struct store *store, const char *name,
                          void (*each)(const struct tasting_remark *remark, const char *taster, void *context),
                          void *context, struct why *why)
{
    int64_t row = must_find(store, name, why);
    sqlite3_stmt *statement;

    if (row < 0)
        return (int)row;
    statement =
        ask(store, "SELECT code, text, taster FROM tasting_remark WHERE tasting_id = ?1 ORDER BY code", "i", row);
    while (statement && sqlite3_step(statement) == SQLITE_ROW) {
        struct tasting_remark remark = { .code = sqlite3_column_int(statement, 0) };

        copy_text(remark.text, sizeof remark.text, statement, 1);
        each(&remark, (const char *)sqlite3_column_text(statement, 2), context);
    }
    return sqlite3_finalize(statement) == SQLITE_OK && statement ? 0 : failed(store, "reading remarks", why);
}
