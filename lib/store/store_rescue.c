/* What can still be read of a damaged or untrusted store, in a new one.
 *
 * Each table is read by ranges of its first key; a range that cannot be read is halved until only what is damaged is
 * left out.  Rows whose brew or bench is lost go too: a later brew would take their number. */
#include "store_schema.h"
#include "store_sql.h"
#include "store_trust.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    FAILURES_MOST = 100000, /* of one table: a damaged page costs about twice as many as it held rows */
    SQL_BYTES = 4096
};

struct rescue {
    struct store *from;
    sqlite3 *to;
    const char *to_path;
    struct store_rescued *count;
    sqlite3_stmt *read, *read_within, *write;
    int columns, failures;
    char second[NAME_SIZE]; /* the second column of the key, where it is a number too; empty: none */
    int64_t second_most;    /* in the table, as far as is known */
    bool in_damage;         /* the last that was tried could not be read */
    bool within;            /* one value of the first: ranges are the second's */
};

static int run(struct rescue *rescue, const char *sql, struct why *why)
{
    return sqlite3_exec(rescue->to, sql, NULL, NULL, NULL) == SQLITE_OK
               ? 0
               : store_failed(rescue->to, rescue->to_path, "writing what was saved", why);
}

/* ---- one table ---- */

/* 0: the range is read whole; 1: it could not be; negative: it could not be written. */
static int copy_range(struct rescue *rescue, int64_t first, int64_t last, struct why *why)
{
    sqlite3_stmt *read = rescue->within ? rescue->read_within : rescue->read;
    int code;

    sqlite3_bind_int64(read, 1, first);
    sqlite3_bind_int64(read, 2, last);
    while ((code = sqlite3_step(read)) == SQLITE_ROW) {
        for (int i = 0; i < rescue->columns; i++)
            sqlite3_bind_value(rescue->write, i + 1, sqlite3_column_value(read, i));
        code = sqlite3_step(rescue->write);
        sqlite3_reset(rescue->write);
        if (code != SQLITE_DONE && (code & 0xff) != SQLITE_CONSTRAINT) {
            sqlite3_reset(read);
            return store_failed(rescue->to, rescue->to_path, "writing what was saved", why);
        }
        rescue->in_damage = false;
        rescue->count->rows += code == SQLITE_DONE && sqlite3_changes(rescue->to) > 0;
    }
    sqlite3_reset(read);
    return code == SQLITE_DONE ? 0 : 1;
}

/* Neighbours that cannot be read are one place. */
static void note_damage(struct rescue *rescue)
{
    rescue->count->damaged += !rescue->in_damage;
    rescue->in_damage = true;
}

static int copy_ranges(struct rescue *rescue, int64_t first, int64_t last, struct why *why);

/* Of one key that cannot be read whole: by ranges of the second, which is a number that only grows. */
static int copy_within(struct rescue *rescue, int64_t key, struct why *why)
{
    int error;

    if (!rescue->second[0] || rescue->within) {
        note_damage(rescue);
        return 0;
    }
    rescue->within = true;
    sqlite3_bind_int64(rescue->read_within, 3, key);
    error = copy_ranges(rescue, 0, rescue->second_most, why);
    rescue->within = false;
    return error;
}

static int copy_ranges(struct rescue *rescue, int64_t first, int64_t last, struct why *why)
{
    int64_t middle = first + (last - first) / 2;
    int result = copy_range(rescue, first, last, why);

    if (result <= 0)
        return result;
    if (++rescue->failures > FAILURES_MOST) {
        note_damage(rescue);
        return 0;
    }
    if (first == last)
        return copy_within(rescue, first, why);
    result = copy_ranges(rescue, first, middle, why);
    return result < 0 ? result : copy_ranges(rescue, middle + 1, last, why);
}

/* A number that SQL asks for; `otherwise` where it cannot be read. */
static int64_t ask(sqlite3 *database, const char *sql, int64_t otherwise)
{
    sqlite3_stmt *statement = NULL;

    if (sqlite3_prepare_v2(database, sql, -1, &statement, NULL) == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW
        && sqlite3_column_type(statement, 0) == SQLITE_INTEGER)
        otherwise = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    return otherwise;
}

static int64_t edge(struct rescue *rescue, const char *function, const char *key, const char *table, int64_t otherwise)
{
    char sql[200];

    snprintf(sql, sizeof sql, "SELECT %s(\"%s\") FROM \"%s\"", function, key, table);
    return ask(store_database(rescue->from), sql, otherwise);
}

/* Columns of the new table that the old one has too, as "a", "b"; the first is the key.  Their count. */
static int common_columns(struct rescue *rescue, const char *table, char names[SQL_BYTES], char key[NAME_SIZE])
{
    sqlite3_stmt *new_ones = NULL, *old_ones = NULL;
    int count = 0;

    names[0] = '\0';
    if (sqlite3_prepare_v2(rescue->to, "SELECT name FROM pragma_table_info(?1)", -1, &new_ones, NULL) == SQLITE_OK
        && sqlite3_prepare_v2(store_database(rescue->from), "SELECT 1 FROM pragma_table_info(?1) WHERE name = ?2", -1,
                              &old_ones, NULL)
               == SQLITE_OK) {
        sqlite3_bind_text(new_ones, 1, table, -1, SQLITE_STATIC);
        sqlite3_bind_text(old_ones, 1, table, -1, SQLITE_STATIC);
        while (sqlite3_step(new_ones) == SQLITE_ROW) {
            const char *name = (const char *)sqlite3_column_text(new_ones, 0);
            size_t length = strlen(names);

            sqlite3_reset(old_ones);
            sqlite3_bind_text(old_ones, 2, name, -1, SQLITE_TRANSIENT);
            if (sqlite3_step(old_ones) != SQLITE_ROW || length + strlen(name) + 5 > SQL_BYTES)
                continue;
            snprintf(names + length, SQL_BYTES - length, "%s\"%s\"", count ? ", " : "", name);
            if (count++ == 0)
                snprintf(key, NAME_SIZE, "%s", name);
        }
    }
    sqlite3_finalize(new_ones);
    sqlite3_finalize(old_ones);
    return count;
}

static bool is_words(struct rescue *rescue, const char *table, const char *key)
{
    const char *type = NULL;

    sqlite3_table_column_metadata(rescue->to, "main", table, key, &type, NULL, NULL, NULL, NULL);
    return type && strcmp(type, "TEXT") == 0;
}

static void find_second(struct rescue *rescue, const char *table)
{
    static const char sql[] = "SELECT name FROM pragma_table_info(?1) WHERE pk = 2 AND type = 'INTEGER'";
    sqlite3_stmt *statement = NULL;

    rescue->second[0] = '\0';
    if (sqlite3_prepare_v2(rescue->to, sql, -1, &statement, NULL) == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, table, -1, SQLITE_STATIC);
        if (sqlite3_step(statement) == SQLITE_ROW)
            snprintf(rescue->second, NAME_SIZE, "%s", (const char *)sqlite3_column_text(statement, 0));
    }
    sqlite3_finalize(statement);
}

static int copy_table(struct rescue *rescue, const char *table, struct why *why)
{
    char names[SQL_BYTES], key[NAME_SIZE] = "", places[400] = "", *read, *within, *write;
    bool words;
    int error = 0;

    if (!(rescue->columns = common_columns(rescue, table, names, key)))
        return 0;
    words = is_words(rescue, table, key);
    find_second(rescue, table);
    rescue->second_most = rescue->second[0] ? edge(rescue, "max", rescue->second, table, INT64_C(1) << 40) : 0;
    rescue->in_damage = false;
    for (int i = 0; i < rescue->columns && strlen(places) + 4 < sizeof places; i++)
        strcat(places, i ? ",?" : "?");
    /* words have no middle: of those what stands in front of the damage */
    read = words ? sqlite3_mprintf("SELECT %s FROM \"%w\" WHERE ?1 <= ?2", names, table)
                 : sqlite3_mprintf("SELECT %s FROM \"%w\" WHERE \"%w\" BETWEEN ?1 AND ?2", names, table, key);
    within = sqlite3_mprintf("SELECT %s FROM \"%w\" WHERE \"%w\" = ?3 AND \"%w\" BETWEEN ?1 AND ?2", names, table, key,
                             rescue->second[0] ? rescue->second : key);
    write = sqlite3_mprintf("INSERT OR IGNORE INTO \"%w\" (%s) VALUES (%s)", table, names, places);
    rescue->failures = 0;
    if (!read || !within || !write)
        error = why_set(why, -ENOMEM, "not enough memory");
    else if (sqlite3_prepare_v2(rescue->to, write, -1, &rescue->write, NULL) != SQLITE_OK)
        error = store_failed(rescue->to, rescue->to_path, "writing what was saved", why);
    else if (sqlite3_prepare_v2(store_database(rescue->from), read, -1, &rescue->read, NULL) != SQLITE_OK
             || sqlite3_prepare_v2(store_database(rescue->from), within, -1, &rescue->read_within, NULL) != SQLITE_OK)
        rescue->count->damaged++; /* the table cannot be read at all */
    else if (words)
        error = copy_ranges(rescue, 0, 0, why);
    else
        error = copy_ranges(rescue, edge(rescue, "min", key, table, 0),
                            edge(rescue, "max", key, table, INT64_C(1) << 40), why);
    sqlite3_finalize(rescue->read);
    sqlite3_finalize(rescue->write);
    sqlite3_finalize(rescue->read_within);
    rescue->read = rescue->read_within = rescue->write = NULL;
    sqlite3_free(read);
    sqlite3_free(within);
    sqlite3_free(write);
    return error < 0 ? error : 0;
}

/* ---- all of them ---- */

/* Each table of the new store, in an order of its own: whose rows belong to whose is looked at afterwards. */
static int for_tables(struct rescue *rescue, int (*each)(struct rescue *, const char *, struct why *), struct why *why)
{
    static const char sql[] = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'";
    sqlite3_stmt *tables = NULL;
    int error = 0;

    if (sqlite3_prepare_v2(rescue->to, sql, -1, &tables, NULL) != SQLITE_OK)
        return store_failed(rescue->to, rescue->to_path, "looking at its tables", why);
    while (error == 0 && sqlite3_step(tables) == SQLITE_ROW)
        error = each(rescue, (const char *)sqlite3_column_text(tables, 0), why);
    sqlite3_finalize(tables);
    return error;
}

/* What the tables hold when they are made, as who this store is: it is the old one. */
static int empty_table(struct rescue *rescue, const char *table, struct why *why)
{
    char *sql = sqlite3_mprintf("DELETE FROM \"%w\"", table);
    int error = sql ? run(rescue, sql, why) : why_set(why, -ENOMEM, "not enough memory");

    sqlite3_free(sql);
    return error;
}

static int drop_orphans(struct rescue *rescue, const char *table, struct why *why)
{
    static const char keys[] =
        "SELECT f.\"table\", f.\"from\", coalesce(f.\"to\", (SELECT name FROM"
        " pragma_table_info(f.\"table\") WHERE pk = f.seq + 1)) FROM pragma_foreign_key_list(?1) f";
    sqlite3_stmt *parents = NULL;
    int error = 0;

    if (sqlite3_prepare_v2(rescue->to, keys, -1, &parents, NULL) != SQLITE_OK)
        return store_failed(rescue->to, rescue->to_path, "looking at its tables", why);
    sqlite3_bind_text(parents, 1, table, -1, SQLITE_TRANSIENT);
    while (error == 0 && sqlite3_step(parents) == SQLITE_ROW) {
        const char *parent = (const char *)sqlite3_column_text(parents, 0);
        const char *from = (const char *)sqlite3_column_text(parents, 1);
        const char *to = (const char *)sqlite3_column_text(parents, 2);
        char *sql = sqlite3_mprintf("DELETE FROM \"%w\" WHERE \"%w\" IS NOT NULL AND NOT EXISTS (SELECT 1 FROM \"%w\" p"
                                    " WHERE p.\"%w\" = \"%w\".\"%w\")",
                                    table, from, parent, to, table, from);

        error = sql ? run(rescue, sql, why) : why_set(why, -ENOMEM, "not enough memory");
        rescue->count->orphans += error == 0 ? sqlite3_changes(rescue->to) : 0;
        sqlite3_free(sql);
    }
    sqlite3_finalize(parents);
    return error;
}

static int copy_all(struct rescue *rescue, int version, struct why *why)
{
    long long orphans;
    int error = run(rescue, "PRAGMA foreign_keys = OFF; PRAGMA synchronous = NORMAL; BEGIN IMMEDIATE", why);

    if (error == 0 && (error = store_make_tables(rescue->to, version, why)) == 0
        && (error = for_tables(rescue, empty_table, why)) == 0)
        error = for_tables(rescue, copy_table, why);
    do {
        orphans = rescue->count->orphans;
        if (error == 0)
            error = for_tables(rescue, drop_orphans, why);
    } while (error == 0 && rescue->count->orphans > orphans);
    rescue->count->rows -= rescue->count->orphans;
    /* what was lost the bench may still have: then all is asked for again, and what is here is not taken twice */
    if (error == 0 && rescue->count->damaged)
        error = run(rescue, "DELETE FROM progress", why);
    if (error == 0)
        error = store_migrate(rescue->to, version, why);
    if (error == 0) /* where that was lost it is a new one */
        error = run(rescue,
                    "INSERT INTO identity SELECT lower(hex(randomblob(16))) WHERE NOT EXISTS (SELECT 1 FROM identity)",
                    why);
    if (error == 0)
        error = run(rescue, "COMMIT; PRAGMA journal_mode = WAL", why);
    rescue->count->brews = (long long)ask(rescue->to, "SELECT count(*) FROM brew", 0);
    return error;
}

int store_rescue(const char *from, const char *to, struct store_rescued *out, struct why *why)
{
    struct rescue rescue = { .to_path = to, .count = out };
    int version, error;

    *out = (struct store_rescued){ 0 };
    if (access(to, F_OK) == 0)
        return why_set(why, -EEXIST, "%s: there is a file already; name one that is not there", to);
    if ((error = store_open_damaged(&rescue.from, from, &version, why)) != 0)
        return error;
    if (sqlite3_open(to, &rescue.to) != SQLITE_OK)
        error = why_set(why, -EIO, "%s: cannot be made: %s", to, sqlite3_errmsg(rescue.to));
    else if (sqlite3_db_config(rescue.to, SQLITE_DBCONFIG_ENABLE_TRIGGER, 0, NULL) == SQLITE_OK)
        error = copy_all(&rescue, version, why);
    sqlite3_close(rescue.to);
    store_close(rescue.from);
    if (error < 0)
        unlink(to);
    return error;
}
