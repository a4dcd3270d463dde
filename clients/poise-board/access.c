/* Paired devices; see access.h. */
#include "access.h"

#include <errno.h>
#include <sodium.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum {
    SECRET_BYTES = 32,
    TOKENS = 8, /* of one device: so many of its pages may be open at once */
    TOKEN_BYTES = 16,
    BUSY_MS = 2000,
    VERSION = 1
};
static const int64_t S_US = 1000000, LINK_US = 24LL * 3600 * 1000000;
static const int64_t TASTER_US = 7 * 24LL * 3600 * 1000000; /* a tasting is over by then */

static const char schema[] =
    "CREATE TABLE IF NOT EXISTS device (device_id INTEGER PRIMARY KEY AUTOINCREMENT, hash TEXT NOT NULL UNIQUE,"
    " role TEXT NOT NULL, name TEXT NOT NULL, session TEXT NOT NULL, taster TEXT NOT NULL,"
    " paired_us INTEGER NOT NULL);"
    "CREATE TABLE IF NOT EXISTS code (hash TEXT PRIMARY KEY, role TEXT NOT NULL, session TEXT NOT NULL,"
    " taster TEXT NOT NULL, until_us INTEGER NOT NULL);"
    "CREATE TABLE IF NOT EXISTS wrong (at_us INTEGER NOT NULL, paused_us INTEGER NOT NULL);";

struct access {
    sqlite3 *file;
    sqlite3_stmt *find;
    int64_t version; /* of the data, as another program changes it */
    struct {
        long long device;
        char token[TOKENS][2 * TOKEN_BYTES + 1];
        int next;
    } tokens[ACCESS_DEVICES];
    int next; /* of the tokens' places, to be used over */
};

static const char *const role_names[] = { "", "look", "hands", "taster" };

enum role role_find(const char *name)
{
    for (int i = ROLE_LOOK; i <= ROLE_TASTER; i++)
        if (strcmp(role_names[i], name) == 0)
            return (enum role)i;
    return ROLE_NONE;
}

const char *role_name(enum role role)
{
    return role_names[role];
}

static void hash_of(const char *secret, char out[ACCESS_SECRET_SIZE])
{
    unsigned char hash[crypto_hash_sha256_BYTES];

    crypto_hash_sha256(hash, (const unsigned char *)secret, strlen(secret));
    sodium_bin2hex(out, ACCESS_SECRET_SIZE, hash, sizeof hash);
}

static void new_secret(char out[ACCESS_SECRET_SIZE])
{
    unsigned char bytes[SECRET_BYTES];

    randombytes_buf(bytes, sizeof bytes);
    sodium_bin2hex(out, ACCESS_SECRET_SIZE, bytes, sizeof bytes);
}

static int trouble(struct access *access, struct why *why)
{
    return why_set(why, -EIO, "the file of paired devices: %s", sqlite3_errmsg(access->file));
}

/* ---- opening ---- */

static int make_folder(const char *folder, struct why *why)
{
    char path[512];

    snprintf(path, sizeof path, "%s", folder);
    for (char *slash = path + 1; (slash = strchr(slash, '/')); slash++) {
        *slash = '\0';
        mkdir(path, 0700); /* what is there already stays as it is */
        *slash = '/';
    }
    if (mkdir(path, 0700) < 0 && errno != EEXIST)
        return why_set(why, -errno, "%s: %s", path, strerror(errno));
    return 0;
}

int access_open(struct access **out, const char *folder, struct why *why)
{
    struct access *access = calloc(1, sizeof *access);
    char path[600];
    mode_t mask;
    int error;

    if (!access || sodium_init() < 0) {
        free(access);
        return why_set(why, -ENOMEM, "out of memory");
    }
    error = make_folder(folder, why);
    if (error < 0) {
        free(access);
        return error;
    }
    snprintf(path, sizeof path, "%s/devices.db", folder);
    mask = umask(077);
    if (sqlite3_open(path, &access->file) != SQLITE_OK || sqlite3_busy_timeout(access->file, BUSY_MS) != SQLITE_OK
        || sqlite3_exec(access->file, schema, NULL, NULL, NULL) != SQLITE_OK
        || sqlite3_prepare_v2(access->file,
                              "SELECT device_id, role, name, session, taster, paired_us FROM device WHERE hash = ?1",
                              -1, &access->find, NULL)
               != SQLITE_OK)
        error = trouble(access, why);
    umask(mask);
    if (error < 0) {
        access_close(access);
        return error;
    }
    access_changed(access);
    *out = access;
    return 0;
}

void access_close(struct access *access)
{
    if (!access)
        return;
    sqlite3_finalize(access->find);
    sqlite3_close(access->file);
    sodium_memzero(access->tokens, sizeof access->tokens);
    free(access);
}

/* ---- small statements ---- */

/* Runs one statement with texts and one number bound in their order; 0 or a negative errno. */
static int run(struct access *access, struct why *why, const char *sql, int64_t number, int count,
               const char *const *text)
{
    sqlite3_stmt *statement = NULL;
    int result = sqlite3_prepare_v2(access->file, sql, -1, &statement, NULL);

    if (result == SQLITE_OK)
        result = sqlite3_bind_int64(statement, 1, number);
    for (int i = 0; result == SQLITE_OK && i < count; i++)
        result = sqlite3_bind_text(statement, i + 2, text[i], -1, SQLITE_STATIC);
    if (result == SQLITE_OK)
        result = sqlite3_step(statement);
    sqlite3_finalize(statement);
    return result == SQLITE_DONE || result == SQLITE_ROW ? 0 : trouble(access, why);
}

static int64_t number_of(struct access *access, const char *sql, int64_t argument)
{
    sqlite3_stmt *statement = NULL;
    int64_t number = 0;

    if (sqlite3_prepare_v2(access->file, sql, -1, &statement, NULL) == SQLITE_OK) {
        if (sqlite3_bind_parameter_count(statement) > 0)
            sqlite3_bind_int64(statement, 1, argument);
        if (sqlite3_step(statement) == SQLITE_ROW)
            number = sqlite3_column_int64(statement, 0);
    }
    sqlite3_finalize(statement);
    return number;
}

bool access_changed(struct access *access)
{
    int64_t version = number_of(access, "PRAGMA data_version", 0);
    bool changed = version != access->version;

    access->version = version;
    return changed;
}

/* ---- pairing ---- */

static int add_code(struct access *access, const char *code, const char *role, const char *session, const char *taster,
                    int64_t until_us, struct why *why)
{
    char hash[ACCESS_SECRET_SIZE];

    hash_of(code, hash);
    return run(access, why,
               "INSERT OR REPLACE INTO code (until_us, hash, role, session, taster) VALUES (?1, ?2, ?3, ?4, ?5)",
               until_us, 4, (const char *const[]){ hash, role, session, taster });
}

int access_new_code(struct access *access, enum role role, int64_t now_us, char code[ACCESS_CODE_SIZE], struct why *why)
{
    int error = run(access, why, "DELETE FROM code WHERE taster = '' OR until_us < ?1", now_us, 0, NULL);

    snprintf(code, ACCESS_CODE_SIZE, "%06u", randombytes_uniform(1000000));
    if (error == 0)
        error = run(access, why, "DELETE FROM wrong WHERE paused_us < ?1", now_us, 0, NULL);
    return error ? error : add_code(access, code, role_name(role), "", "", now_us + ACCESS_CODE_S * S_US, why);
}

int access_new_link(struct access *access, const char *session, const char *taster, int64_t now_us,
                    char link[ACCESS_SECRET_SIZE], struct why *why)
{
    int error = run(access, why, "DELETE FROM code WHERE (session = ?2 AND taster = ?3) OR until_us < ?1", now_us, 2,
                    (const char *const[]){ session, taster });

    if (!error)
        error = run(access, why, "DELETE FROM device WHERE role = 'taster' AND paired_us < ?1", now_us - TASTER_US, 0,
                    NULL);
    new_secret(link);
    return error ? error : add_code(access, link, role_name(ROLE_TASTER), session, taster, now_us + LINK_US, why);
}

/* A wrong code.  After so many the six digits are void, and nobody pairs for a while. */
static int count_wrong(struct access *access, int64_t now_us, struct why *why)
{
    int error = run(access, why, "INSERT INTO wrong (at_us, paused_us) VALUES (?1, 0)", now_us, 0, NULL);

    if (error == 0 && number_of(access, "SELECT count(*) FROM wrong WHERE paused_us = 0", 0) >= ACCESS_TRIES) {
        error = run(access, why, "DELETE FROM code WHERE taster = '' AND ?1", 1, 0, NULL);
        if (error == 0)
            error = run(access, why, "DELETE FROM wrong WHERE ?1", 1, 0, NULL);
        if (error == 0)
            error = run(access, why, "INSERT INTO wrong (at_us, paused_us) VALUES (0, ?1)",
                        now_us + ACCESS_PAUSE_S * S_US, 0, NULL);
    }
    return error ? error
                 : why_set(why, -EACCES,
                           "that is not the code: it has six digits, is shown on the bench's terminal "
                           "(poise-board pair) and is good for two minutes and %d tries",
                           ACCESS_TRIES);
}

/* Takes the code out of the file, so that no other device has it: its row in `found`.  0, or -ENOENT. */
static int take_code(struct access *access, const char *hash, int64_t now_us, struct device *found, struct why *why)
{
    sqlite3_stmt *statement = NULL;
    int error = 0, result;

    if (sqlite3_prepare_v2(access->file,
                           "DELETE FROM code WHERE hash = ?1 AND until_us >= ?2 RETURNING role, session, taster", -1,
                           &statement, NULL)
            != SQLITE_OK
        || sqlite3_bind_text(statement, 1, hash, -1, SQLITE_STATIC) != SQLITE_OK
        || sqlite3_bind_int64(statement, 2, now_us) != SQLITE_OK)
        error = trouble(access, why);
    result = error ? SQLITE_ERROR : sqlite3_step(statement);
    if (!error && result == SQLITE_ROW) {
        found->role = role_find((const char *)sqlite3_column_text(statement, 0));
        snprintf(found->session, sizeof found->session, "%s", (const char *)sqlite3_column_text(statement, 1));
        snprintf(found->taster, sizeof found->taster, "%s", (const char *)sqlite3_column_text(statement, 2));
        sqlite3_step(statement);
    } else if (!error) {
        error = result == SQLITE_DONE ? -ENOENT : trouble(access, why);
    }
    sqlite3_finalize(statement);
    return error;
}

int access_pair(struct access *access, const char *code, const char *name, int64_t now_us,
                char secret[ACCESS_SECRET_SIZE], struct why *why)
{
    int64_t paused_us = number_of(access, "SELECT max(paused_us) FROM wrong", 0);
    char hash[ACCESS_SECRET_SIZE];
    struct device found = { 0 };
    int error;

    if (paused_us > now_us && strlen(code) < ACCESS_SECRET_SIZE - 1)
        return why_set(why, -EAGAIN, "too many wrong codes: wait %d seconds, then have a new one shown",
                       (int)((paused_us - now_us) / S_US) + 1);
    if (number_of(access, "SELECT count(*) FROM device", 0) >= ACCESS_DEVICES)
        return why_set(why, -ENOSPC, "%d devices are paired already: revoke one with poise-board devices",
                       (int)ACCESS_DEVICES);
    hash_of(code, hash);
    error = take_code(access, hash, now_us, &found, why);
    if (error == -ENOENT && strlen(code) == ACCESS_SECRET_SIZE - 1) /* nobody guesses one */
        return why_set(why, -EACCES, "this link was used already, or its day is over: have a new one shown");
    if (error == -ENOENT)
        return count_wrong(access, now_us, why);
    new_secret(secret);
    hash_of(secret, hash);
    if (error == 0)
        error = run(access, why,
                    "INSERT INTO device (paired_us, hash, role, name, session, taster)"
                    " VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    now_us, 5, (const char *const[]){ hash, role_name(found.role), name, found.session, found.taster });
    if (error == 0)
        error = run(access, why, "DELETE FROM wrong WHERE ?1", 1, 0, NULL);
    return error;
}

/* ---- devices ---- */

static void read_device(sqlite3_stmt *row, struct device *out)
{
    memset(out, 0, sizeof *out);
    out->id = sqlite3_column_int64(row, 0);
    out->role = role_find((const char *)sqlite3_column_text(row, 1));
    snprintf(out->name, sizeof out->name, "%s", (const char *)sqlite3_column_text(row, 2));
    snprintf(out->session, sizeof out->session, "%s", (const char *)sqlite3_column_text(row, 3));
    snprintf(out->taster, sizeof out->taster, "%s", (const char *)sqlite3_column_text(row, 4));
    out->paired_us = sqlite3_column_int64(row, 5);
}

bool access_find(struct access *access, const char *secret, struct device *out)
{
    char hash[ACCESS_SECRET_SIZE];
    bool found;

    if (strlen(secret) != ACCESS_SECRET_SIZE - 1)
        return false;
    hash_of(secret, hash);
    sqlite3_bind_text(access->find, 1, hash, -1, SQLITE_STATIC);
    found = sqlite3_step(access->find) == SQLITE_ROW;
    if (found)
        read_device(access->find, out);
    sqlite3_reset(access->find);
    return found;
}

bool access_known(struct access *access, long long id)
{
    return number_of(access, "SELECT 1 FROM device WHERE device_id = ?1", id) == 1;
}

int access_list(struct access *access, struct device out[ACCESS_DEVICES], struct why *why)
{
    sqlite3_stmt *statement = NULL;
    int count = 0;

    if (sqlite3_prepare_v2(access->file,
                           "SELECT device_id, role, name, session, taster, paired_us FROM device ORDER BY device_id",
                           -1, &statement, NULL)
        != SQLITE_OK)
        return trouble(access, why);
    while (count < ACCESS_DEVICES && sqlite3_step(statement) == SQLITE_ROW)
        read_device(statement, &out[count++]);
    sqlite3_finalize(statement);
    return count;
}

int access_revoke(struct access *access, long long id, struct why *why)
{
    int error = run(access, why, "DELETE FROM device WHERE device_id = ?1", id, 0, NULL);

    if (error == 0 && sqlite3_changes(access->file) == 0)
        return why_set(why, -ENOENT, "no device has the number %lld: poise-board devices lists them", id);
    return error;
}

/* ---- tokens ---- */

void access_token(struct access *access, long long device, char out[ACCESS_SECRET_SIZE])
{
    unsigned char bytes[TOKEN_BYTES];
    int place = 0;

    while (place < ACCESS_DEVICES && access->tokens[place].device != device)
        place++;
    if (place == ACCESS_DEVICES) {
        place = access->next;
        access->next = (access->next + 1) % ACCESS_DEVICES;
        memset(&access->tokens[place], 0, sizeof access->tokens[place]);
        access->tokens[place].device = device;
    }
    randombytes_buf(bytes, sizeof bytes);
    sodium_bin2hex(out, 2 * TOKEN_BYTES + 1, bytes, sizeof bytes);
    strcpy(access->tokens[place].token[access->tokens[place].next], out);
    access->tokens[place].next = (access->tokens[place].next + 1) % TOKENS;
}

bool access_spend(struct access *access, long long device, const char *token)
{
    for (int place = 0; place < ACCESS_DEVICES; place++)
        for (int i = 0; access->tokens[place].device == device && i < TOKENS; i++) {
            char *kept = access->tokens[place].token[i];

            if (strlen(token) == 2 * TOKEN_BYTES && strlen(kept) == 2 * TOKEN_BYTES
                && sodium_memcmp(kept, token, 2 * TOKEN_BYTES) == 0) {
                memset(kept, 0, 2 * TOKEN_BYTES + 1);
                return true;
            }
        }
    return false;
}
