/* Any SQL as what somebody did to a store before it came here: it opens or is refused with a sentence, and its readers
 * end.  The store lies in the folder where the target runs. */
#include <fcntl.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/store.h"
#include "poise/store_curve.h"
#include "poise/store_tasting.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

static const char path[] = "fuzzed.db";

static char *whole; /* a store as it is made, of which each input gets a copy */
static size_t whole_length;

static void must(bool holds, const char *what)
{
    if (!holds) {
        fprintf(stderr, "does not hold: %s\n", what);
        abort();
    }
}

static void make(void)
{
    struct store *store;
    struct why why;
    FILE *file;

    unlink(path);
    must(store_open(&store, path, STORE_WRITE, &why) == 0, why.text);
    must(sqlite3_exec(store_database(store), "PRAGMA journal_mode = DELETE", NULL, NULL, NULL) == SQLITE_OK, "no WAL");
    store_close(store);
    must((file = fopen(path, "rb")) != NULL && fseek(file, 0, SEEK_END) == 0, "a file");
    whole_length = (size_t)ftell(file);
    must((whole = malloc(whole_length)) != NULL, "memory");
    rewind(file);
    must(fread(whole, 1, whole_length, file) == whole_length, "read");
    fclose(file);
}

static void restore(void)
{
    static const char *const beside[] = { "fuzzed.db-wal", "fuzzed.db-shm", "fuzzed.db-journal" };
    FILE *file = fopen(path, "wb");

    must(file && fwrite(whole, 1, whole_length, file) == whole_length && fclose(file) == 0, "written");
    for (size_t i = 0; i < sizeof beside / sizeof *beside; i++)
        unlink(beside[i]);
}

static int enough(void *steps)
{
    return --*(int *)steps < 0;
}

/* Not for ever, and nothing outside the folder. */
static int allowed(void *context, int action, const char *a, const char *b, const char *c, const char *d)
{
    (void)context;
    (void)a;
    (void)b;
    (void)c;
    (void)d;
    return action == SQLITE_ATTACH || action == SQLITE_PRAGMA ? SQLITE_DENY : SQLITE_OK;
}

static void change(const uint8_t *data, size_t length)
{
    char *sql = sqlite3_mprintf("%.*s", (int)length, (const char *)data);
    int steps = 20;
    sqlite3 *base = NULL;

    must(sql && sqlite3_open_v2(path, &base, SQLITE_OPEN_READWRITE, NULL) == SQLITE_OK, "opened");
    sqlite3_limit(base, SQLITE_LIMIT_LENGTH, 1 << 20);
    sqlite3_progress_handler(base, 1000, enough, &steps);
    sqlite3_set_authorizer(base, allowed, NULL);
    sqlite3_exec(base, sql, NULL, NULL, NULL);
    sqlite3_close(base);
    sqlite3_free(sql);
}

static int tasting(const char *name, bool lost, void *context)
{
    struct store_tasting_entry *entries;
    struct store_tasting_row row;
    struct why why;
    int count;

    (void)lost;
    if (store_tasting_read(context, name, &row, &why) == 0)
        store_tasting_row_free(&row);
    count = store_tasting_entries(context, name, &entries, &why);
    if (count >= 0)
        store_tasting_entries_free(entries, count);
    return 0;
}

static void read_all(struct store *store)
{
    json_t *factors = json_pack("{s:f}", "steep_s", 120.0);
    struct store_curve curve;
    char name[BREW_SIZE];
    uint64_t seq;
    int64_t time_us;
    struct why why;

    must(factors != NULL, "memory");
    store_resume(store, "pier", &seq, &time_us, &why);
    store_brew_named(store, "001", name, &why);
    if (store_curve_read(store, "ferry-steep", factors, NULL, &curve, &why) == 0) {
        for (size_t i = 0; i < curve.n; i++)
            must(isfinite(curve.t[i]) && isfinite(curve.e[i]), "a curve of numbers");
        store_curve_free(&curve);
    }
    store_tasting_names(store, tasting, store, &why);
    json_decref(factors);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    struct store *store;
    struct why why = { "" };

    if (!whole)
        make();
    restore();
    change(data, length);
    for (enum store_mode mode = STORE_READ; mode <= STORE_WRITE; mode++) {
        why.text[0] = '\0';
        if (store_open(&store, path, mode, &why) == 0) {
            read_all(store);
            store_close(store);
        } else {
            must(why.text[0] && !strpbrk(why.text, "\r\n"), "one sentence");
        }
    }
    return 0;
}
