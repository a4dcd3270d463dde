/* A bench called pier and a store of its own for a test; what the store holds is read back by the sqlite3 command, as a
 * bench user would.  One test program includes it once. */
#ifndef POISE_STORE_BENCH_H
#define POISE_STORE_BENCH_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "poise/store.h"

static char folder[] = "/tmp/poise-store-XXXXXX";

static inline const char *file_named(const char *name)
{
    static char path[4][128];
    static int turn;
    char *out = path[turn++ & 3];

    snprintf(out, sizeof path[0], "%s/%s", folder, name);
    return out;
}

/* What the sqlite3 command says to this SQL; the caller frees. */
static inline char *sqlite_answer(const char *path, const char *sql)
{
    size_t size = 4 << 20, length = 0, got;
    char *out = malloc(size), command[4096];
    FILE *pipe;

    assert_non_null(out);
    snprintf(command, sizeof command, "sqlite3 -batch '%s' \"%s\"", path, sql);
    pipe = popen(command, "r");
    assert_non_null(pipe);
    while ((got = fread(out + length, 1, size - 1 - length, pipe)) > 0)
        length += got;
    assert_int_equal(pclose(pipe), 0);
    while (length && out[length - 1] == '\n')
        length--;
    out[length] = '\0';
    return out;
}

static inline void assert_sqlite_gives(const char *path, const char *sql, const char *expected)
{
    char *said = sqlite_answer(path, sql);

    assert_string_equal(said, expected);
    free(said);
}

/* All that a brew is to a reader, row numbers left out; the caller frees. */
static inline char *all_of(const char *path)
{
    return sqlite_answer(
        path, "SELECT * FROM brew_summary ORDER BY brew; SELECT * FROM brew_trace ORDER BY brew, seq;"
              "SELECT * FROM brew_stage ORDER BY brew, seq; SELECT b.name, m.measure, m.seq, m.value,"
              " m.standard_uncertainty, m.above, m.made_by FROM measure m JOIN brew b USING (brew_id) ORDER BY 1, 2, 3;"
              "SELECT seq, value, decimals, status FROM reading ORDER BY seq; "
              "SELECT seq, warning, detail FROM warning ORDER BY seq; "
              "SELECT after_seq, before_seq FROM gap; SELECT count(*) FROM brew");
}

/* Compares and names the first line that differs. */
static inline void assert_same_store(const char *said, const char *expected)
{
    size_t line = 0;

    for (size_t i = 0; said[i] || expected[i]; i++) {
        if (said[i] != expected[i])
            fail_msg("differs from here:\n%.200s\n--- expected ---\n%.200s", said + line, expected + line);
        if (said[i] == '\n')
            line = i + 1;
    }
}

/* --- messages of a bench called pier --- */

static const int64_t SECOND = 1000000, UTC_BEGAN = 1795600800LL * 1000000; /* 2026-11-25 10:00:00 */

static inline struct message message_at(enum message_kind kind, uint64_t seq, double seconds)
{
    struct message message;

    memset(&message, 0, sizeof message);
    message.kind = kind;
    strcpy(message.common.bench, "pier");
    strcpy(message.common.boot, "0d1e2f30-0000-4000-8000-000000000001");
    message.common.seq = seq;
    message.common.rate = 1;
    message.common.mono_us = 5000 * SECOND + (int64_t)llround(seconds * 1e6);
    message.common.time_us = UTC_BEGAN + (int64_t)llround(seconds * 1e6);
    return message;
}

static inline struct message mass_at(uint64_t seq, double seconds, int64_t tenths)
{
    struct message message = message_at(MESSAGE_READING, seq, seconds);

    strcpy(message.reading.instrument, "left-scale");
    strcpy(message.reading.station, "left");
    message.reading.quantity = QUANTITY_MASS;
    message.reading.value = (struct decimal){ tenths, -1 };
    message.reading.stable = -1;
    return message;
}

static inline struct message brew_at(uint64_t seq, double seconds, const char *brew, enum brew_change change, double at)
{
    struct message message = message_at(MESSAGE_BREW, seq, seconds);

    strcpy(message.brew.brew, brew);
    strcpy(message.brew.station, "left");
    message.brew.change = change;
    message.brew.at_us = 5000 * SECOND + (int64_t)llround(at * 1e6);
    message.brew.plan_kept = -1;
    measures_clear(&message.brew.measures);
    return message;
}

static inline struct message stage_at(uint64_t seq, double seconds, const char *brew, enum stage stage, double at)
{
    struct message message = message_at(MESSAGE_STAGE, seq, seconds);

    strcpy(message.stage.brew, brew);
    strcpy(message.stage.station, "left");
    message.stage.stage = stage;
    message.stage.at_us = 5000 * SECOND + (int64_t)llround(at * 1e6);
    message.stage.uncertainty_us = 50000;
    return message;
}

static inline struct message measure_at(uint64_t seq, double seconds, const char *brew, enum measure measure,
                                        double value)
{
    struct message message = message_at(MESSAGE_MEASURE, seq, seconds);

    strcpy(message.measure.brew, brew);
    strcpy(message.measure.station, "left");
    message.measure.measure = measure;
    message.measure.value = value;
    message.measure.standard_uncertainty = 0.03;
    return message;
}

static const char PLAN[] = "{\"experiment\": \"ferry-steep\", \"title\": \"How long \\\"to\\\" steep\", \"run\": 4,"
                           " \"replicate\": 2, \"factors\": {\"steep_s\": 75}, \"recipe\": {\"dose_g\": 15.0}}";

enum { MORNING = 2000 };

/* Two brews in five minutes, one after the other, five readings a second throughout; each begins 20 s before it says
 * so.
 * Returns the count of messages. */
static inline int morning(struct message out[MORNING])
{
    uint64_t seq = 1;
    int count = 0;

#define ADD(what) (out[count++] = (what), seq++)
    for (int tick = 0; tick < 1500; tick++) {
        double now = tick / 5.0;
        const char *brew = tick < 750 ? "pier-20261125-001" : "pier-20261125-002";

        switch (tick % 750) {
        case 300:
            ADD(brew_at(seq, now, brew, BREW_BEGIN, now - 20));
            if (tick == 300)
                out[count - 1].brew.plan_json = PLAN;
            ADD(measure_at(seq, now, brew, MEASURE_DOSE_G, 15.02));
            ADD(stage_at(seq, now, brew, STAGE_POUR, now - 1));
            break;
        case 500:
            ADD(stage_at(seq, now, brew, STAGE_PRESS, now - 0.5));
            break;
        case 600:
            ADD(brew_at(seq, now, brew, BREW_END, now - 2));
            out[count - 1].brew.measures.value[MEASURE_DOSE_G] = 15.02;
            out[count - 1].brew.measures.standard_uncertainty[MEASURE_DOSE_G] = 0.03;
            out[count - 1].brew.measures.value[MEASURE_WATER_G] = 230.4;
            out[count - 1].brew.plan_kept = 1;
            break;
        }
        ADD(mass_at(seq, now, tick));
    }
#undef ADD
    return count;
}

static inline struct store *opened(const char *path)
{
    struct store *store = NULL;
    struct why why = { "" };

    if (store_open(&store, path, STORE_WRITE, &why) != 0)
        fail_msg("%s", why.text);
    return store;
}

static inline void apply(struct store *store, const struct message *message)
{
    struct why why = { "" };

    if (store_apply(store, message, &why) < 0)
        fail_msg("%s", why.text);
}

static inline void commit(struct store *store)
{
    struct why why = { "" };

    if (store_commit(store, &why) != 0)
        fail_msg("%s", why.text);
}

/* As the logger does: at once after an event, else every tenth message. */
static inline void apply_all(struct store *store, const struct message *messages, int count)
{
    struct why why = { "" };

    for (int i = 0; i < count; i++) {
        int soon = store_apply(store, &messages[i], &why);

        assert_true(soon >= 0);
        if (soon || i % 10 == 9)
            commit(store);
    }
    commit(store);
}

static inline char *uninterrupted(const char *name)
{
    static struct message messages[MORNING];
    int count = morning(messages);
    const char *path = file_named(name);
    struct store *store = opened(path);

    apply_all(store, messages, count);
    store_close(store);
    return all_of(path);
}

/* --- the folder of a test program --- */

static inline int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static inline int drop_folder(void **state)
{
    char command[128];

    (void)state;
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    return system(command);
}

#endif
