/* What a reader must know before believing a finding, and the spread of the bench's own repeats. */
#include "findings_parts.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

void findings_caution(struct findings *out, const char *format, ...)
{
    va_list arguments;

    if (out->caution_count == CAUTIONS)
        return;
    va_start(arguments, format);
    vsnprintf(out->caution[out->caution_count++], sizeof out->caution[0], format, arguments);
    va_end(arguments);
}

/* Sum of squares within repeats (same experiment, same factors) of these cups' benches, elsewhere. */
int findings_bench_spread(sqlite3 *database, struct findings *out, struct why *why)
{
    static const char format[] = "SELECT sum(squares), sum(n - 1) FROM (SELECT count(%s) AS n, sum(%s * %s) - sum(%s) "
                                 "* sum(%s) / count(%s) AS squares"
                                 " FROM brew_summary WHERE experiment IS NOT NULL AND experiment <> ?1 AND %s IS NOT "
                                 "NULL AND coalesce(plan_kept, 1)"
                                 " AND bench IN (SELECT bench FROM brew_summary WHERE experiment = ?1) GROUP BY "
                                 "experiment, factors HAVING n > 1)";
    const char *name = measure_name(out->options->measure);
    char *sql = sqlite3_mprintf(format, name, name, name, name, name, name, name);
    sqlite3_stmt *statement = NULL;
    int code = sql ? sqlite3_prepare_v2(database, sql, -1, &statement, NULL) : SQLITE_NOMEM;

    sqlite3_free(sql);
    if (code == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, out->experiment, -1, SQLITE_STATIC);
        code = sqlite3_step(statement);
    }
    if (code == SQLITE_ROW && sqlite3_column_double(statement, 1) > 0 && sqlite3_column_double(statement, 0) > 0) {
        out->spread_source = SPREAD_OF_BENCH;
        out->spread_df = sqlite3_column_double(statement, 1);
        out->spread = sqrt(sqlite3_column_double(statement, 0) / out->spread_df);
    }
    sqlite3_finalize(statement);
    return code == SQLITE_ROW ? 0 : why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
}

/* Only of what the judgement rests on: another measure may be what it likes. */
static void caution_impossible(struct findings *out)
{
    unsigned basis = cups_basis(out->options->measure), wrong = 0;
    int count = 0, measure = 0;
    const struct cup *first = NULL;

    for (size_t i = 0; i < out->cups->count; i++)
        if (out->cups->cup[i].impossible & basis) {
            first = first ? first : &out->cups->cup[i];
            count++;
        }
    if (!first)
        return;
    for (wrong = first->impossible & basis; !(wrong >> measure & 1); measure++)
        ;
    findings_caution(out, "%d cup%s with a number that cannot be true (%s of %s first): not counted.", count,
                     count == 1 ? "" : "s", measure_name((enum measure)measure), first->brew);
}

static bool several(const struct findings *out, size_t offset)
{
    for (size_t i = 1; i < out->point_count; i++)
        if (strcmp((const char *)out->point[i].cup + offset, (const char *)out->point[0].cup + offset) != 0)
            return true;
    return false;
}

/* One UTC day is one sitting, as far as the store knows.  Cups come in the order of time. */
static int days_of(const struct findings *out)
{
    int days = 0;

    for (size_t i = 0; i < out->point_count; i++)
        days += i == 0 || strncmp(out->point[i].cup->began_utc, out->point[i - 1].cup->began_utc, 10) != 0;
    return days;
}

/* Warnings of the strength instrument's blank between the first and the last cup. */
static int caution_blank(sqlite3 *database, struct findings *out, struct why *why)
{
    static const char sql[] = "SELECT count(*) FROM warning w JOIN bench h USING (bench_id) WHERE w.warning LIKE "
                              "'%blank%'"
                              " AND h.name IN (SELECT bench FROM brew_summary WHERE experiment = ?1) AND w.time_us "
                              "BETWEEN"
                              " (SELECT min(b.began_us) FROM brew b JOIN experiment e USING (experiment_id) WHERE "
                              "e.name = ?1)"
                              " AND (SELECT max(b.ended_us) + 86400000000 FROM brew b JOIN experiment e USING "
                              "(experiment_id) WHERE e.name = ?1)";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    if (code == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, out->experiment, -1, SQLITE_STATIC);
        code = sqlite3_step(statement);
    }
    if (code == SQLITE_ROW && sqlite3_column_int(statement, 0) > 0)
        findings_caution(out,
                         "The strength instrument's blank drifted meanwhile (%d warnings): strengths may be off by as "
                         "much.",
                         sqlite3_column_int(statement, 0));
    sqlite3_finalize(statement);
    return code == SQLITE_ROW ? 0 : why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
}

/* How the samples were read, as the strength readings say that these cups own; of thousands the latest speak. */
static int caution_samples(sqlite3 *database, struct findings *out, struct why *why)
{
    static const char sql[] =
        "SELECT count(DISTINCT CASE WHEN a.filtered = 0 THEN a.brew_id END),"
        " count(DISTINCT CASE WHEN i.quantity <> 'strength' THEN a.brew_id END),"
        " avg(CASE WHEN i.quantity = 'brix' AND r.value > 0 THEN (SELECT value FROM measure m WHERE"
        " m.brew_id = a.brew_id AND m.measure = 'strength_pct' ORDER BY m.seq DESC LIMIT 1) / r.value END)"
        " FROM (SELECT brew_id FROM brew JOIN experiment e USING (experiment_id) WHERE e.name = ?1"
        " ORDER BY brew_id DESC LIMIT 2000) JOIN assignment a USING (brew_id)"
        " JOIN reading r ON r.bench_id = a.bench_id AND r.seq = a.reading_seq JOIN instrument i USING (instrument_id)"
        " WHERE NOT EXISTS (SELECT 1 FROM assignment l WHERE l.bench_id = a.bench_id"
        " AND l.reading_seq = a.reading_seq AND l.seq > a.seq)";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    if (code == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, out->experiment, -1, SQLITE_STATIC);
        code = sqlite3_step(statement);
    }
    if (code == SQLITE_ROW && sqlite3_column_int(statement, 0) > 0)
        findings_caution(out, "Samples of %d cup%s were read unfiltered: fines make strength read high and unsteady.",
                         sqlite3_column_int(statement, 0), sqlite3_column_int(statement, 0) == 1 ? "" : "s");
    if (code == SQLITE_ROW && sqlite3_column_int(statement, 1) > 0) {
        bool factor = sqlite3_column_type(statement, 2) != SQLITE_NULL;

        char by[64] = "";

        if (factor)
            snprintf(by, sizeof by, " (%.2f of the Brix)", sqlite3_column_double(statement, 2));
        findings_caution(out,
                         "The instrument showed %s; strength was reckoned from it by the bench's factor%s: the shape "
                         "stands, the number is as good as that factor.",
                         factor ? "Brix" : "a refractive index", by);
    }
    sqlite3_finalize(statement);
    return code == SQLITE_ROW ? 0 : why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
}

/* A recipe may say so, too. */
static void caution_unfiltered(struct findings *out)
{
    for (size_t i = 0; i < out->point_count; i++) {
        const json_t *filtered = json_object_get(out->point[i].cup->recipe, "filtered");
        const char *word = json_string_value(filtered);

        if (json_is_false(filtered) || (word && strcmp(word, "no") == 0)) {
            findings_caution(out, "Samples were read unfiltered: fines make strength read high and unsteady.");
            return;
        }
    }
}

/* A press that goes on until nothing more comes is worth some grams: cups that differ in it differ already. */
static void caution_pressed_dry(struct findings *out)
{
    int dry = 0, stopped = 0;

    for (int f = 0; f < out->factor_count; f++)
        if (strcmp(out->factor[f].name, "pressed_dry") == 0)
            return;
    for (size_t i = 0; i < out->point_count; i++) {
        double value = out->point[i].cup->measures.value[MEASURE_PRESSED_DRY];

        dry += value > 0.5;
        stopped += value <= 0.5;
    }
    if (dry && stopped)
        findings_caution(out,
                         "%d cup%s pressed until nothing more came, %d %s stopped before: that alone is worth some "
                         "grams of beverage.",
                         dry, dry == 1 ? " was" : "s were", stopped, stopped == 1 ? "was" : "were");
}

static void caution_spread(struct findings *out)
{
    bool single = true;

    for (int i = 0; i < out->level_count; i++)
        single = single && out->level[i].level_of.n < 2;
    if (!single || !out->level_count)
        return;
    if (out->spread_source == SPREAD_OF_BENCH)
        findings_caution(out,
                         "One cup per level: these cups do not tell how much cups of one level differ. Judged by the "
                         "bench's own repeats in other experiments (%.2g from %.0f of them).",
                         out->spread, out->spread_df);
    else
        findings_caution(out, "One cup per level: nothing tells how much cups of one level differ, so no difference "
                              "can be judged. Brew each level again.");
}

int findings_find_cautions(sqlite3 *database, struct findings *out, struct why *why)
{
    int error;

    caution_spread(out);
    caution_impossible(out);
    if (out->left_out)
        findings_caution(out, "%zu cup%s out of plan left out (--all counts them).", out->left_out,
                         out->left_out == 1 ? "" : "s");
    if (out->without_value)
        findings_caution(out, "%zu cup%s without %s: not counted.", out->without_value,
                         out->without_value == 1 ? "" : "s", call_of(measure_name(out->options->measure)));
    caution_unfiltered(out);
    caution_pressed_dry(out);
    if (out->point_count && several(out, offsetof(struct cup, bench)))
        findings_caution(out, "Cups from several benches are counted together: their instruments may differ.");
    if (out->point_count)
        findings_caution(out,
                         "%s, one coffee and one grinder as far as the store knows: trust the shape and the "
                         "difference, not the number.",
                         days_of(out) == 1 ? "One day" : "Several days");
    error = caution_samples(database, out, why);
    return error ? error : caution_blank(database, out, why);
}
