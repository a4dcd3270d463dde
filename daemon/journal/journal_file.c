/* The journal's SQLite file; see journal_file.h.  Not for the queue and its thread: journal.c. */
#include "journal_file.h"

#include <errno.h>
#include <fcntl.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include "checksum.h"

/* Marks the file as a journal of ours: "PoJ1". */
enum { APPLICATION_ID = 0x506f4a31 };

/* Rows pruned at a time: a bite takes well under a millisecond, so that a commit never waits for it. */
enum { PRUNE_ROWS = 64 };

struct journal_file {
    sqlite3 *database;
    sqlite3_stmt *insert, *keep, *forget, *kept, *rows, *rows_on, *from, *oldest, *drop, *next, *drop_one, *size;
    bool durable; /* synchronous=FULL now */
    char path[512];
    struct identity {
        dev_t device;
        ino_t inode;
    } itself, log; /* the file that was opened, and the log beside it */
};

/* What is asked of every row stands before the messages, which may lie on pages of their own. */
#define JOURNAL_TABLE                                                                                           \
    "CREATE TABLE journal(first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, first_us INTEGER NOT NULL," \
    " precious INTEGER NOT NULL, checksum INTEGER, messages BLOB NOT NULL);"
#define KEEP_TABLE "CREATE TABLE keep(name TEXT PRIMARY KEY, checksum INTEGER, value BLOB NOT NULL) WITHOUT ROWID;"

static const char schema[] = "BEGIN IMMEDIATE;" JOURNAL_TABLE KEEP_TABLE "PRAGMA application_id=1349470769;"
                             "PRAGMA user_version=2;"
                             "COMMIT;";

/* Version 1 had no checksums, and did not say what is precious.  No row is touched, however many there are: all of them
 * are precious, and none is checked. */
static const char from_version_1[] = "BEGIN IMMEDIATE;"
                                     "ALTER TABLE journal ADD COLUMN precious INTEGER NOT NULL DEFAULT 1;"
                                     "ALTER TABLE journal ADD COLUMN checksum INTEGER;"
                                     "ALTER TABLE keep ADD COLUMN checksum INTEGER;"
                                     "PRAGMA user_version=2;"
                                     "COMMIT;";

static int failure(struct journal_file *file, struct why *why)
{
    int code = sqlite3_errcode(file->database) & 0xff;
    int error = -EIO;
    const char *advice = "readings are kept in memory meanwhile";

    if (code == SQLITE_FULL) {
        error = -ENOSPC;
        advice = "make room on the disk";
    } else if (code == SQLITE_CORRUPT || code == SQLITE_NOTADB) {
        error = -EUCLEAN;
        advice = "the file is damaged: `poise-ctl rescue FILE` saves what is whole";
    } else if (code == SQLITE_BUSY || code == SQLITE_LOCKED) {
        error = -EBUSY;
        advice = "another program has it open; close that";
    } else if (code == SQLITE_CANTOPEN || code == SQLITE_PERM || code == SQLITE_READONLY || code == SQLITE_AUTH) {
        error = -EACCES;
        advice = "check its folder and permissions";
    } else if (code == SQLITE_NOMEM) {
        error = -ENOMEM;
    }
    return why_set(why, error, "journal %s: %s; %s", file->path, sqlite3_errmsg(file->database), advice);
}

static int run(struct journal_file *file, const char *sql, struct why *why)
{
    return sqlite3_exec(file->database, sql, NULL, NULL, NULL) == SQLITE_OK ? 0 : failure(file, why);
}

static int ask_number(struct journal_file *file, const char *sql, int64_t *out, struct why *why)
{
    sqlite3_stmt *statement;
    int error = 0;
    int step;

    if (sqlite3_prepare_v2(file->database, sql, -1, &statement, NULL) != SQLITE_OK)
        return failure(file, why);
    step = sqlite3_step(statement);
    if (step == SQLITE_ROW)
        *out = sqlite3_column_int64(statement, 0);
    else if (step == SQLITE_DONE)
        *out = 0;
    else
        error = failure(file, why);
    sqlite3_finalize(statement);
    return error;
}

static int check_or_make(struct journal_file *file, struct why *why)
{
    int64_t id, version, tables;
    int error;

    if ((error = ask_number(file, "PRAGMA application_id", &id, why)) != 0
        || (error = ask_number(file, "PRAGMA user_version", &version, why)) != 0
        || (error = ask_number(file, "SELECT count(*) FROM sqlite_schema", &tables, why)) != 0)
        return error;
    if (tables == 0 && id == 0)
        return run(file, schema, why);
    if (id != APPLICATION_ID)
        return why_set(why, -EBADF,
                       "journal %s: this is some other program's database; "
                       "name another file with `journal =`",
                       file->path);
    if (version > JOURNAL_VERSION)
        return why_set(why, -EPROTO,
                       "journal %s: made by a newer Poise (version %lld, this one knows %d); "
                       "use the newer program or name another file with `journal =`",
                       file->path, (long long)version, JOURNAL_VERSION);
    return version < JOURNAL_VERSION ? run(file, from_version_1, why) : 0;
}

/* The row before may reach past ?1 too, hence from the greatest first_seq at or below it. */
#define ROWS_AFTER                                                                                             \
    " FROM journal WHERE first_seq >= coalesce((SELECT max(first_seq) FROM journal WHERE first_seq <= ?1), 0)" \
    " AND last_seq > ?1 ORDER BY first_seq"

#define COLUMNS "SELECT messages, last_seq, first_seq, first_us, precious, checksum"
#define COLUMNS_OF_VERSION_1 "SELECT messages, last_seq, first_seq, first_us, 1, NULL"

static const char rows_after[] = COLUMNS ROWS_AFTER;
static const char rows_after_of_version_1[] = COLUMNS_OF_VERSION_1 ROWS_AFTER;

/* Where the row before cannot be read. */
#define ROWS_FROM " FROM journal WHERE first_seq >= ?1 ORDER BY first_seq"

static const char rows_from[] = COLUMNS ROWS_FROM;
static const char rows_from_of_version_1[] = COLUMNS_OF_VERSION_1 ROWS_FROM;
static const char kept_by_name[] = "SELECT name, value, checksum FROM keep ORDER BY name";
static const char kept_by_name_of_version_1[] = "SELECT name, value, NULL FROM keep ORDER BY name";
static const char first_seq_from[] = "SELECT first_seq FROM journal WHERE first_seq >= ?1 ORDER BY first_seq LIMIT 1";

static int prepare(struct journal_file *file, const char *sql, sqlite3_stmt **out)
{
    return sqlite3_prepare_v3(file->database, sql, -1, SQLITE_PREPARE_PERSISTENT, out, NULL);
}

static int prepare_all(struct journal_file *file, struct why *why)
{
    const struct {
        sqlite3_stmt **statement;
        const char *sql;
    } all[] = {
        { &file->insert, "INSERT INTO journal(first_seq, last_seq, first_us, messages, precious, checksum)"
                         " VALUES(?1, ?2, ?3, ?4, ?5, ?6)" },
        { &file->keep, "INSERT INTO keep(name, value, checksum) VALUES(?1, ?2, ?3) "
                       "ON CONFLICT(name) DO UPDATE SET value=excluded.value, checksum=excluded.checksum" },
        { &file->forget, "DELETE FROM keep WHERE name=?1" },
        { &file->kept, kept_by_name },
        { &file->rows, rows_after },
        { &file->rows_on, rows_from },
        { &file->from, first_seq_from },
        { &file->oldest, "SELECT first_seq, first_us, last_seq FROM journal ORDER BY first_seq LIMIT ?1" },
        { &file->next, "SELECT first_seq, first_us, last_seq, precious FROM journal WHERE first_seq > ?1"
                       " ORDER BY first_seq LIMIT ?2" },
        { &file->drop_one, "DELETE FROM journal WHERE first_seq=?1" },
        { &file->size, "SELECT (SELECT page_count FROM pragma_page_count)"
                       " - (SELECT freelist_count FROM pragma_freelist_count)" },
        { &file->drop, "DELETE FROM journal WHERE first_seq <= ?1" },
    };

    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        if (prepare(file, all[i].sql, all[i].statement) != SQLITE_OK)
            return failure(file, why);
    return 0;
}

void journal_file_close(struct journal_file *file)
{
    if (!file)
        return;
    sqlite3_finalize(file->insert);
    sqlite3_finalize(file->keep);
    sqlite3_finalize(file->forget);
    sqlite3_finalize(file->kept);
    sqlite3_finalize(file->rows);
    sqlite3_finalize(file->rows_on);
    sqlite3_finalize(file->from);
    sqlite3_finalize(file->oldest);
    sqlite3_finalize(file->drop);
    sqlite3_finalize(file->next);
    sqlite3_finalize(file->drop_one);
    sqlite3_finalize(file->size);
    sqlite3_close(file->database);
    free(file);
}

/* SQLite would make it readable for everybody; what lies beside it gets the mode of the file.  It would also follow a
 * link, which somebody else may have put there. */
static int make_private(const char *path, struct why *why)
{
    int descriptor = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);

    if (descriptor < 0 && errno == ELOOP)
        return why_set(why, -EBADF, "journal %s: this is a link; name the file itself with `journal =`", path);
    if (descriptor >= 0)
        close(descriptor); /* where it cannot be made, SQLite says so */
    return 0;
}

static struct identity identity_of(const char *path, const char *suffix)
{
    struct identity none = { 0, 0 };
    struct stat status;
    char name[600];

    snprintf(name, sizeof name, "%s%s", path, suffix);
    /* the plain call: the journal's thread asks once a commit, and the wrappers of a test bed for devices restore the
     * signal mask of whichever thread came last */
    return syscall(SYS_newfstatat, AT_FDCWD, name, &status, AT_SYMLINK_NOFOLLOW) == 0
               ? (struct identity){ status.st_dev, status.st_ino }
               : none;
}

static bool is_same(struct identity a, struct identity b)
{
    return a.device == b.device && a.inode == b.inode;
}

enum journal_place journal_file_place(const struct journal_file *file)
{
    if (!is_same(file->itself, identity_of(file->path, "")))
        return JOURNAL_ELSEWHERE;
    return is_same(file->log, identity_of(file->path, "-wal")) ? JOURNAL_IN_PLACE : JOURNAL_WITHOUT_LOG;
}

void journal_file_give_up_path(struct journal_file *file)
{
    char log[600];
    int on = 1;

    snprintf(log, sizeof log, "%s-wal", file->path);
    if (is_same(file->log, identity_of(file->path, "-wal")))
        unlink(log);
    sqlite3_file_control(file->database, "main", SQLITE_FCNTL_PERSIST_WAL, &on);
}

static int open_once(struct journal_file **out, const char *path, struct why *why)
{
    struct journal_file *file = calloc(1, sizeof *file);
    uint64_t last;
    int error;

    if (!file)
        return why_set(why, -ENOMEM, "journal %s: out of memory", path);
    snprintf(file->path, sizeof file->path, "%s", path);
    if ((error = make_private(path, why)) != 0) {
        free(file);
        return error;
    }
    if (sqlite3_open_v2(path, &file->database, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX, NULL)
        != SQLITE_OK) {
        error = file->database ? failure(file, why) : why_set(why, -ENOMEM, "journal %s: out of memory", path);
        journal_file_close(file);
        return error;
    }
    sqlite3_extended_result_codes(file->database, 1);
    /* Exclusive: one owner, no shared memory file, and a second poised is reported so.  The small cache
     * suffices: rows are written once and read in order. */
    if ((error = run(file,
                     "PRAGMA locking_mode=EXCLUSIVE; PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;"
                     "PRAGMA cache_size=-512; PRAGMA temp_store=MEMORY;",
                     why))
            != 0
        || (error = check_or_make(file, why)) != 0 || (error = prepare_all(file, why)) != 0
        || (error = journal_file_last(file, &last, why)) != 0) {
        journal_file_close(file);
        return error;
    }
    file->itself = identity_of(path, "");
    file->log = identity_of(path, "-wal");
    *out = file;
    return 0;
}

static bool lies_beside(const char *path, const char *suffix)
{
    struct stat beside;
    char name[600];

    snprintf(name, sizeof name, "%s%s", path, suffix);
    return stat(name, &beside) == 0 && beside.st_size > 0;
}

/* What is whole in one file is opened so that SQLite puts nothing beside it; what has a log beside it needs it. */
static int open_read_only(struct journal_file *file)
{
    char *address = sqlite3_mprintf("file:%s?immutable=1", file->path);
    int code = SQLITE_NOMEM;

    if (lies_beside(file->path, "-wal") || strpbrk(file->path, "?#%"))
        code = sqlite3_open_v2(file->path, &file->database, SQLITE_OPEN_READONLY | SQLITE_OPEN_NOMUTEX, NULL);
    else if (address)
        code = sqlite3_open_v2(address, &file->database, SQLITE_OPEN_READONLY | SQLITE_OPEN_URI | SQLITE_OPEN_NOMUTEX,
                               NULL);
    sqlite3_free(address);
    return code;
}

int journal_file_open_to_read(struct journal_file **out, const char *path, struct why *why)
{
    struct journal_file *file = calloc(1, sizeof *file);
    int64_t id = 0, version = 0;
    int error = 0;

    if (!file)
        return why_set(why, -ENOMEM, "journal %s: out of memory", path);
    snprintf(file->path, sizeof file->path, "%s", path);
    if (open_read_only(file) != SQLITE_OK)
        error = file->database ? failure(file, why) : why_set(why, -ENOMEM, "journal %s: out of memory", path);
    if (!error)
        error = ask_number(file, "PRAGMA application_id", &id, why);
    if (!error && id != APPLICATION_ID)
        error = why_set(why, -EBADF,
                        "%s: this database is no journal of poised; a brew that a store keeps is replayed with "
                        "`poise-ctl --store FILE replay --brew NAME`",
                        path);
    if (!error)
        error = ask_number(file, "PRAGMA user_version", &version, why);
    if (!error
        && (prepare(file, version < 2 ? rows_after_of_version_1 : rows_after, &file->rows) != SQLITE_OK
            || prepare(file, version < 2 ? rows_from_of_version_1 : rows_from, &file->rows_on) != SQLITE_OK
            || prepare(file, version < 2 ? kept_by_name_of_version_1 : kept_by_name, &file->kept) != SQLITE_OK
            || prepare(file, first_seq_from, &file->from) != SQLITE_OK))
        error = failure(file, why);
    if (error == -EBUSY)
        why_set(why, error, "journal %s: a running poised has it open; ask that bench: leave the file out", path);
    if (error)
        journal_file_close(file);
    else
        *out = file;
    return error;
}

/* What SQLite left beside it goes along, and the name is one that is not taken. */
int journal_file_set_aside(const char *path, char *aside, size_t size, struct why *why)
{
    static const char *const suffixes[] = { "", "-wal" };
    char stamp[32], from[600], to[600];
    time_t now = time(NULL);
    struct tm day;

    gmtime_r(&now, &day);
    strftime(stamp, sizeof stamp, "%Y%m%dT%H%M%SZ", &day);
    snprintf(aside, size, "%s.damaged-%s", path, stamp);
    for (int n = 2; access(aside, F_OK) == 0 && n < 1000; n++)
        snprintf(aside, size, "%s.damaged-%s-%d", path, stamp, n);
    for (size_t i = 0; i < 2; i++) {
        snprintf(from, sizeof from, "%s%s", path, suffixes[i]);
        snprintf(to, sizeof to, "%s%s", aside, suffixes[i]);
        if (rename(from, to) != 0 && i == 0)
            return why_set(why, -errno, "journal %s: damaged, and cannot be renamed to %s: %s", path, aside,
                           strerror(errno));
    }
    return 0;
}

/* Damage is only what befell a journal: what has the head of a database, what looks like a journal further on, or
 * what a power cut left as zeros.  Any other file is somebody's, named by mistake. */
static bool may_be_a_journal(const char *path)
{
    static const char head[] = "SQLite format 3", table[] = "CREATE TABLE journal(";
    static const char entry[] = "\",{\"v\":1,\"bench\":\"";
    char bytes[65536];
    FILE *file = fopen(path, "re");
    size_t length = file ? fread(bytes, 1, sizeof bytes, file) : 0, zeros = 0;

    if (file)
        fclose(file);
    while (zeros < length && bytes[zeros] == 0)
        zeros++;
    return zeros == length || (length >= sizeof head && memcmp(bytes, head, sizeof head) == 0)
           || memmem(bytes, length, table, sizeof table - 1) || memmem(bytes, length, entry, sizeof entry - 1);
}

int journal_file_open(struct journal_file **out, const char *path, char *set_aside, size_t size, struct why *why)
{
    int error;

    set_aside[0] = '\0';
    if (!may_be_a_journal(path))
        return why_set(why, -EBADF,
                       "journal %s: this is no journal but some other file, left as it is; name another "
                       "with `journal =`",
                       path);
    if ((error = open_once(out, path, why)) != -EUCLEAN)
        return error;
    error = journal_file_set_aside(path, set_aside, size, why);
    return error ? error : open_once(out, path, why);
}

static int step_once(struct journal_file *file, sqlite3_stmt *statement, struct why *why)
{
    int error = sqlite3_step(statement) == SQLITE_DONE ? 0 : failure(file, why);

    sqlite3_reset(statement);
    sqlite3_clear_bindings(statement);
    return error;
}

static int put_batches(struct journal_file *file, const struct journal_batch *batches, struct why *why)
{
    for (; batches; batches = batches->next) {
        int error;

        if (batches->length == 0)
            continue;
        sqlite3_bind_int64(file->insert, 1, (sqlite3_int64)batches->first_seq);
        sqlite3_bind_int64(file->insert, 2, (sqlite3_int64)batches->last_seq);
        sqlite3_bind_int64(file->insert, 3, batches->first_us);
        sqlite3_bind_blob64(file->insert, 4, batches->text, batches->length, SQLITE_STATIC);
        sqlite3_bind_int(file->insert, 5, batches->precious);
        sqlite3_bind_int64(file->insert, 6, (sqlite3_int64)checksum64(batches->text, batches->length));
        if ((error = step_once(file, file->insert, why)) != 0)
            return error;
    }
    return 0;
}

static int put_keeps(struct journal_file *file, const struct journal_keep *keeps, struct why *why)
{
    for (; keeps; keeps = keeps->next) {
        sqlite3_stmt *statement = keeps->data ? file->keep : file->forget;
        int error;

        sqlite3_bind_text(statement, 1, keeps->key, -1, SQLITE_STATIC);
        if (keeps->data)
            sqlite3_bind_blob64(statement, 2, keeps->data, keeps->length, SQLITE_STATIC);
        if (keeps->data)
            sqlite3_bind_int64(statement, 3, (sqlite3_int64)checksum64(keeps->data, keeps->length));
        if ((error = step_once(file, statement, why)) != 0)
            return error;
    }
    return 0;
}

int journal_file_commit(struct journal_file *file, const struct journal_batch *batches,
                        const struct journal_keep *keeps, bool durable, struct why *why)
{
    int error;

    if (durable != file->durable) {
        if ((error = run(file, durable ? "PRAGMA synchronous=FULL" : "PRAGMA synchronous=NORMAL", why)) != 0)
            return error;
        file->durable = durable;
    }
    if (durable && !batches && !keeps) /* a transaction of nothing would not wait for the disk */
        return run(file, "PRAGMA wal_checkpoint(PASSIVE)", why);
    if (batches && !batches->next && !keeps)
        return put_batches(file, batches, why); /* one statement is a transaction by itself */
    if ((error = run(file, "BEGIN IMMEDIATE", why)) != 0)
        return error;
    if ((error = put_batches(file, batches, why)) != 0 || (error = put_keeps(file, keeps, why)) != 0
        || (error = run(file, "COMMIT", why)) != 0) {
        if (!sqlite3_get_autocommit(file->database))
            sqlite3_exec(file->database, "ROLLBACK", NULL, NULL, NULL);
        return error;
    }
    return 0;
}

int journal_file_last(struct journal_file *file, uint64_t *last_seq, struct why *why)
{
    int64_t last = 0;
    int error = ask_number(file, "SELECT last_seq FROM journal ORDER BY first_seq DESC LIMIT 1", &last, why);

    if (!error)
        *last_seq = (uint64_t)last;
    return error;
}

static bool is_whole(sqlite3_stmt *statement, int column, const void *data, size_t length)
{
    return sqlite3_column_type(statement, column) == SQLITE_NULL
           || (uint64_t)sqlite3_column_int64(statement, column) == checksum64(data, length);
}

/* The first row from this number on that can be found; INT64_MAX: there is none; -1: it lies where the file is damaged.
 */
static int64_t first_from(struct journal_file *file, int64_t seq)
{
    int64_t found;
    int step;

    sqlite3_bind_int64(file->from, 1, seq);
    step = sqlite3_step(file->from);
    found = step == SQLITE_ROW ? sqlite3_column_int64(file->from, 0) : step == SQLITE_DONE ? INT64_MAX : -1;
    sqlite3_reset(file->from);
    return found;
}

/* Behind a damaged page: leaps until a row is found, then halves the leap down to the first one. */
static int64_t beyond_damage(struct journal_file *file, int64_t seq)
{
    int64_t bad = seq, good = seq, leap = 1;

    do {
        if (leap > INT64_MAX / 4 - seq)
            return INT64_MAX;
        leap *= 2;
        good = seq + leap;
    } while (first_from(file, good) < 0);
    while (good - bad > 1) {
        int64_t middle = bad + (good - bad) / 2;

        if (first_from(file, middle) < 0)
            bad = middle;
        else
            good = middle;
    }
    return first_from(file, good);
}

/* Rows up to the first damaged page; -EUCLEAN: there is one.  `reached` is the last seq that was read. */
static int rows_until_damage(struct journal_file *file, sqlite3_stmt *rows, int64_t seq, int64_t *reached,
                             int (*each)(void *context, const struct journal_row *row),
                             void (*damaged)(void *context, const struct journal_damage *damage), void *context,
                             struct why *why)
{
    int error = 0;
    int step;

    sqlite3_bind_int64(rows, 1, seq);
    while ((step = sqlite3_step(rows)) == SQLITE_ROW) {
        struct journal_row row = { .text = sqlite3_column_blob(rows, 0),
                                   .length = (size_t)sqlite3_column_bytes(rows, 0),
                                   .last_seq = (uint64_t)sqlite3_column_int64(rows, 1),
                                   .first_seq = (uint64_t)sqlite3_column_int64(rows, 2),
                                   .first_us = sqlite3_column_int64(rows, 3),
                                   .precious = sqlite3_column_int(rows, 4) != 0 };

        if (row.text && !is_whole(rows, 5, row.text, row.length)) {
            if (damaged)
                damaged(context, &(struct journal_damage){ row.first_seq, row.last_seq });
        } else if (row.text && each(context, &row)) {
            break;
        }
        if ((int64_t)row.last_seq > *reached)
            *reached = (int64_t)row.last_seq;
    }
    if (step != SQLITE_ROW && step != SQLITE_DONE)
        error = failure(file, why);
    sqlite3_reset(rows);
    return error;
}

int journal_file_rows(struct journal_file *file, uint64_t after_seq,
                      int (*each)(void *context, const struct journal_row *row),
                      void (*damaged)(void *context, const struct journal_damage *damage), void *context,
                      struct why *why)
{
    sqlite3_stmt *rows = file->rows;
    int64_t reached = (int64_t)after_seq, next = reached;
    int error;

    if (after_seq > INT64_MAX)
        return 0;
    while ((error = rows_until_damage(file, rows, next, &reached, each, damaged, context, why)) == -EUCLEAN) {
        /* a row that was found and cannot be read, since its messages lie on a damaged page, is passed over too */
        int64_t after = rows == file->rows_on && reached < next ? next : reached;

        if ((next = beyond_damage(file, after)) <= after)
            return error; /* no way on: not even this can be asked */
        if (damaged && next > reached + 1)
            damaged(context,
                    &(struct journal_damage){ (uint64_t)reached + 1, next == INT64_MAX ? 0 : (uint64_t)next - 1 });
        if (next == INT64_MAX)
            return 0;
        reached = next - 1;
        rows = file->rows_on;
    }
    return error;
}

struct carrying {
    struct journal_file *to;
    struct why *why;
    uint64_t messages;
    int error;
};

static int carry_row(void *context, const struct journal_row *row)
{
    struct carrying *carrying = context;
    struct journal_batch batch = { .text = (char *)row->text,
                                   .length = row->length,
                                   .first_seq = row->first_seq,
                                   .last_seq = row->last_seq,
                                   .first_us = row->first_us,
                                   .precious = row->precious };

    carrying->error = put_batches(carrying->to, &batch, carrying->why);
    if (!carrying->error)
        carrying->messages += row->last_seq - row->first_seq + 1;
    else if ((sqlite3_errcode(carrying->to->database) & 0xff) == SQLITE_CONSTRAINT)
        carrying->error = 0; /* it is there already */
    return carrying->error;
}

static void carry_kept(void *context, const char *key, const void *data, size_t length)
{
    struct journal_keep keep = { .data = (void *)data, .length = length };
    struct why why;

    if (!data || strlen(key) >= sizeof keep.key)
        return;
    strcpy(keep.key, key);
    put_keeps(context, &keep, &why);
}

uint64_t journal_file_carry_over(struct journal_file *from, struct journal_file *to)
{
    struct why why;
    struct carrying carrying = { .to = to, .why = &why };

    if (run(to, "BEGIN IMMEDIATE", &why) != 0)
        return 0;
    journal_file_rows(from, 0, carry_row, NULL, &carrying, &why);
    journal_file_kept(from, carry_kept, to, &why);
    if (run(to, "COMMIT", &why) == 0)
        return carrying.messages;
    run(to, "ROLLBACK", &why);
    return 0;
}

int journal_file_kept(struct journal_file *file,
                      void (*each)(void *context, const char *key, const void *data, size_t length), void *context,
                      struct why *why)
{
    sqlite3_stmt *statement = file->kept;
    int error = 0;
    int step;

    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        const char *key = (const char *)sqlite3_column_text(statement, 0);
        const void *data = sqlite3_column_blob(statement, 1);
        size_t length = (size_t)sqlite3_column_bytes(statement, 1);
        bool whole = is_whole(statement, 2, data ? data : "", length);

        if (key)
            each(context, key, whole ? (data ? data : "") : NULL, whole ? length : 0);
    }
    if (step != SQLITE_DONE)
        error = failure(file, why);
    sqlite3_reset(statement);
    return error;
}

int64_t journal_file_size(struct journal_file *file)
{
    int64_t pages = 0, page_size = 0;
    struct why why;

    if (sqlite3_step(file->size) == SQLITE_ROW)
        pages = sqlite3_column_int64(file->size, 0);
    sqlite3_reset(file->size);
    return ask_number(file, "PRAGMA page_size", &page_size, &why) == 0 ? pages * page_size : 0;
}

static bool may_go(const struct journal_prune *prune, sqlite3_stmt *row)
{
    int64_t first_us = sqlite3_column_int64(row, 1);

    return (first_us < prune->older_than_us || first_us > prune->now_us)
           && (uint64_t)sqlite3_column_int64(row, 2) <= prune->up_to_seq;
}

int journal_file_prune_idle(struct journal_file *file, const struct journal_prune *prune, uint64_t *cursor,
                            struct why *why)
{
    int64_t idle[PRUNE_ROWS];
    int most = prune->most < PRUNE_ROWS ? prune->most : PRUNE_ROWS, count = 0, step, error = 0;

    sqlite3_bind_int64(file->next, 1, (sqlite3_int64)*cursor);
    sqlite3_bind_int(file->next, 2, most);
    while ((step = sqlite3_step(file->next)) == SQLITE_ROW && may_go(prune, file->next)) {
        *cursor = (uint64_t)sqlite3_column_int64(file->next, 0);
        if (!sqlite3_column_int(file->next, 3))
            idle[count++] = (int64_t)*cursor;
    }
    if (step != SQLITE_ROW && step != SQLITE_DONE)
        error = failure(file, why);
    sqlite3_reset(file->next);
    for (int i = 0; i < count && !error; i++) {
        sqlite3_bind_int64(file->drop_one, 1, idle[i]);
        error = step_once(file, file->drop_one, why);
    }
    return error ? error : count;
}

int journal_file_prune(struct journal_file *file, const struct journal_prune *prune, uint64_t *dropped_seq,
                       struct why *why)
{
    int most = prune->most < PRUNE_ROWS ? prune->most : PRUNE_ROWS;
    int64_t last_first = -1, last_seq = 0;
    int old = 0;
    int step, error;

    sqlite3_bind_int(file->oldest, 1, most);
    while ((step = sqlite3_step(file->oldest)) == SQLITE_ROW) {
        if (!may_go(prune, file->oldest))
            break;
        last_first = sqlite3_column_int64(file->oldest, 0);
        last_seq = sqlite3_column_int64(file->oldest, 2);
        old++;
    }
    error = step != SQLITE_ROW && step != SQLITE_DONE ? failure(file, why) : 0;
    sqlite3_reset(file->oldest);
    if (error || old == 0)
        return error;
    sqlite3_bind_int64(file->drop, 1, last_first);
    error = step_once(file, file->drop, why);
    if (!error && dropped_seq)
        *dropped_seq = (uint64_t)last_seq;
    return error ? error : old;
}

/* The end of a JSON string that begins at text (at its quote): one past the closing quote, or NULL. */
static const char *string_end(const char *text, const char *end)
{
    for (text++; text < end; text++) {
        if (*text == '\\')
            text++;
        else if (*text == '"')
            return text + 1;
    }
    return NULL;
}

/* The digits behind this key, if it stands here; else 0. */
static uint64_t number_of(const char *key, const char *text, const char *end)
{
    size_t length = strlen(key);
    uint64_t number = 0;

    if ((size_t)(end - text) <= length || memcmp(text, key, length) != 0)
        return 0;
    for (text += length; text < end && *text >= '0' && *text <= '9'; text++)
        number = number * 10 + (uint64_t)(*text - '0');
    return number;
}

int journal_entry_read(const char *text, size_t length, struct journal_entry *out)
{
    const char *end = text + length;
    const char *at = text;
    struct journal_entry entry = { 0 };
    int depth = 0;

    if (length < 4 || at[0] != '[' || at[1] != '"')
        return -EINVAL;
    entry.topic = at + 2;
    if (!(at = string_end(at + 1, end)) || end - at < 2 || at[0] != ',' || at[1] != '{')
        return -EINVAL;
    entry.topic_length = (size_t)(at - 1 - entry.topic);
    entry.event = entry.topic_length > 6 && memcmp(entry.topic, "event/", 6) == 0;
    entry.json = ++at;
    while (at < end) {
        if (*at == '"') {
            if (depth == 1 && entry.seq == 0)
                entry.seq = number_of("\"seq\":", at, end);
            if (depth == 1 && entry.time_us == 0)
                entry.time_us = (int64_t)number_of("\"time_us\":", at, end);
            if (!(at = string_end(at, end)))
                return -EINVAL;
            continue;
        }
        if (*at == '{' || *at == '[')
            depth++;
        else if ((*at == '}' || *at == ']') && --depth == 0)
            break;
        at++;
    }
    if (end - at < 2 || at[1] != ']')
        return -EINVAL;
    entry.json_length = (size_t)(at + 1 - entry.json);
    entry.length = (size_t)(at + 2 - text);
    *out = entry;
    return 0;
}
