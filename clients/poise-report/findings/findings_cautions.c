/* What a reader must know before believing a finding, and the spread of the bench's own repeats. */
#include "findings_parts.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "poise/brew.h"

void findings_caution(struct findings *out, const char *format, ...)
{
    va_list arguments;

    if (out->caution_count == CAUTIONS)
        return;
    va_start(arguments, format);
    vsnprintf(out->caution[out->caution_count++], sizeof out->caution[0], format, arguments);
    va_end(arguments);
}

int findings_repeats(sqlite3 *database, const char *except, enum measure measure, double *spread, double *df,
                     struct why *why)
{
    static const char format[] =
        "SELECT sum(miss * miss), count(*) - count(DISTINCT alike) FROM (SELECT x - avg(x) OVER (PARTITION BY alike) AS"
        " miss, alike FROM (SELECT experiment || char(31) || coalesce(factors, '') AS alike, experiment, bench, %s AS x"
        " FROM brew_summary WHERE experiment IS NOT NULL AND coalesce(plan_kept, 1)) WHERE"
        " typeof(x) IN ('real', 'integer') AND x BETWEEN %!.17g AND %!.17g AND"
        " (?1 IS NULL OR (experiment <> ?1 AND bench IN (SELECT bench FROM brew_summary WHERE experiment = ?1))))";
    char *sql = sqlite3_mprintf(format, measure_name(measure), measure_least(measure), measure_most(measure));
    sqlite3_stmt *statement = NULL;
    int code = sql ? sqlite3_prepare_v2(database, sql, -1, &statement, NULL) : SQLITE_NOMEM;

    sqlite3_free(sql);
    *spread = *df = 0;
    if (code == SQLITE_OK) {
        if (except)
            sqlite3_bind_text(statement, 1, except, -1, SQLITE_STATIC);
        code = sqlite3_step(statement);
    }
    if (code == SQLITE_ROW && sqlite3_column_double(statement, 1) > 0) {
        *df = sqlite3_column_double(statement, 1);
        *spread = sqrt(fmax(0, sqlite3_column_double(statement, 0)) / *df);
    }
    sqlite3_finalize(statement);
    return code == SQLITE_ROW ? 0 : why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
}

int findings_bench_spread(sqlite3 *database, struct findings *out, struct why *why)
{
    double spread, df;
    int error = findings_repeats(database, out->experiment, out->options->measure, &spread, &df, why);

    if (!error && spread > 0) {
        out->spread_source = SPREAD_OF_BENCH;
        out->spread_df = df;
        out->spread = spread;
    }
    return error;
}

/* Only of what the judgement rests on: another measure may be what it likes. */
static void caution_impossible(struct findings *out)
{
    unsigned basis = cups_basis(out->options->measure), wrong;
    const struct cup *first = out->cups->cup;
    int measure = 0;

    if (!out->impossible)
        return;
    while (!(first->impossible & basis))
        first++;
    for (wrong = first->impossible & basis; !(wrong >> measure & 1); measure++)
        ;
    findings_caution(out, "%zu cup%s with a number that cannot be true (first the %s of %s): not counted.",
                     out->impossible, out->impossible == 1 ? "" : "s", call_of(measure_name((enum measure)measure)),
                     first->brew);
}

/* What of roasted coffee dissolves at all is about 30 % (Liang, Chan, Ristenpart, Scientific Reports 11, 2021; from
 * memory): more is nearly always a dose or a strength gone wrong. */
static const double SOLUBLE_PCT = 30;

static void caution_too_much(struct findings *out)
{
    const struct cup *first = NULL;
    int count = 0;

    if (out->options->measure != MEASURE_EXTRACTION_PCT && out->options->measure != MEASURE_EXTRACTION_TOTAL_PCT)
        return;
    for (size_t i = 0; i < out->point_count; i++)
        if (out->point[i].y > SOLUBLE_PCT) {
            first = first ? first : out->point[i].cup;
            count++;
        }
    if (first)
        findings_caution(out,
                         "%d cup%s above %.0f %% (first %s), about all there is to dissolve in roasted coffee: "
                         "look at dose, water and strength again.",
                         count, count == 1 ? "" : "s", SOLUBLE_PCT, first->brew);
}

static void caution_uncounted(struct findings *out)
{
    if (out->without_level)
        findings_caution(out, "%zu cup%s without a level of its factor: not counted.", out->without_level,
                         out->without_level == 1 ? "" : "s");
    if (out->left_out)
        findings_caution(out, "%zu cup%s out of plan left out (--all counts them).", out->left_out,
                         out->left_out == 1 ? "" : "s");
    if (out->bounded)
        findings_caution(out,
                         "%zu cup%s whose pressure is only known to be above a number (the scale was overloaded): not "
                         "counted.",
                         out->bounded, out->bounded == 1 ? "" : "s");
    if (out->without_value)
        findings_caution(out, "%zu cup%s without %s: not counted.", out->without_value,
                         out->without_value == 1 ? "" : "s", call_of(measure_name(out->options->measure)));
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

/* Runs a question about the experiment, ?1, that has one row: SQLITE_ROW and the statement, or what went wrong; with
 * answered() behind it in any case. */
static int ask(sqlite3 *database, const char *sql, const struct findings *out, sqlite3_stmt **statement)
{
    int code = sqlite3_prepare_v2(database, sql, -1, statement, NULL);

    if (code != SQLITE_OK)
        return code;
    sqlite3_bind_text(*statement, 1, out->experiment, -1, SQLITE_STATIC);
    return sqlite3_step(*statement);
}

static int answered(sqlite3 *database, sqlite3_stmt *statement, int code, struct why *why)
{
    sqlite3_finalize(statement);
    return code == SQLITE_ROW ? 0 : why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
}

/* Warnings of the strength instrument's blank between the first and the last cup. */
static int caution_blank(sqlite3 *database, struct findings *out, struct why *why)
{
    static const char sql[] =
        "SELECT count(*) FROM warning w JOIN bench h USING (bench_id) WHERE w.warning LIKE '%blank%'"
        " AND h.name IN (SELECT bench FROM brew_summary WHERE experiment = ?1) AND w.time_us BETWEEN"
        " (SELECT min(b.began_us) FROM brew b JOIN experiment e USING (experiment_id) WHERE e.name = ?1)"
        " AND (SELECT max(b.ended_us) + 86400000000 FROM brew b JOIN experiment e USING (experiment_id)"
        " WHERE e.name = ?1)";
    sqlite3_stmt *statement = NULL;
    int code = ask(database, sql, out, &statement);

    if (code == SQLITE_ROW && sqlite3_column_int(statement, 0) > 0)
        findings_caution(out,
                         "The strength instrument's blank drifted meanwhile (%d warning%s): strengths may be off by as "
                         "much.",
                         sqlite3_column_int(statement, 0), sqlite3_column_int(statement, 0) == 1 ? "" : "s");
    return answered(database, statement, code, why);
}

/* A refractive index is taken as at 20 °C.  A degree warmer costs about 0.067 Brix (OIV-MA-AS2-02, table I: 0.20 for
 * three degrees, at 10 %). */
static const double BRIX_PER_DEGREE = 0.067;

/* What stood between the instrument's figure and the strength. */
static void caution_reckoned(struct findings *out, sqlite3_stmt *row)
{
    bool index = sqlite3_column_type(row, 3) != SQLITE_NULL;
    double brix = index ? brix_of_refractive_index(sqlite3_column_double(row, 3)) : sqlite3_column_double(row, 2);
    double factor = sqlite3_column_double(row, 4) / brix;
    struct guide_shown shown = cups_shown("°C");
    char by[64] = "", warm[64] = "their temperature is not known";

    if (factor > 0 && isfinite(factor))
        snprintf(by, sizeof by, " (%.2f of the Brix)", factor);
    findings_caution(out,
                     "The instrument showed %s; strength was computed from it by the bench's factor%s: the shape "
                     "stands, the number is as good as that factor.",
                     index ? "a refractive index" : "Brix", by);
    if (!index)
        return;
    if (sqlite3_column_type(row, 5) != SQLITE_NULL)
        snprintf(warm, sizeof warm, "they were at %.1f to %.1f %s",
                 sqlite3_column_double(row, 5) * shown.each + shown.from,
                 sqlite3_column_double(row, 6) * shown.each + shown.from, shown.unit);
    findings_caution(out,
                     "A refractive index is taken as at 20 °C (68 °F), with nothing corrected for warmer samples: each "
                     "degree Celsius reads about %.2f points too low (%s).",
                     BRIX_PER_DEGREE * (factor > 0 && isfinite(factor) ? factor : 1), warm);
}

/* How the samples were read, as the strength readings say that these cups own; of thousands the latest speak. */
static int caution_samples(sqlite3 *database, struct findings *out, struct why *why)
{
    static const char sql[] =
        "SELECT count(DISTINCT CASE WHEN a.filtered = 0 THEN a.brew_id END),"
        " count(DISTINCT CASE WHEN i.quantity <> 'strength' THEN a.brew_id END),"
        " avg(CASE i.quantity WHEN 'brix' THEN r.value END),"
        " avg(CASE i.quantity WHEN 'refractive-index' THEN r.value END),"
        " avg(CASE WHEN i.quantity <> 'strength' THEN (SELECT value FROM measure m WHERE"
        " m.brew_id = a.brew_id AND m.measure = 'strength_pct' ORDER BY m.seq DESC LIMIT 1) END),"
        " min(CASE i.quantity WHEN 'refractive-index' THEN a.sample_c END),"
        " max(CASE i.quantity WHEN 'refractive-index' THEN a.sample_c END)"
        " FROM (SELECT brew_id FROM brew JOIN experiment e USING (experiment_id) WHERE e.name = ?1"
        " ORDER BY brew_id DESC LIMIT 2000) JOIN assignment a USING (brew_id)"
        " JOIN reading r ON r.bench_id = a.bench_id AND r.seq = a.reading_seq JOIN instrument i USING (instrument_id)"
        " WHERE NOT EXISTS (SELECT 1 FROM assignment l WHERE l.bench_id = a.bench_id"
        " AND l.reading_seq = a.reading_seq AND l.seq > a.seq)";
    sqlite3_stmt *statement = NULL;
    int code = ask(database, sql, out, &statement);

    if (code == SQLITE_ROW && sqlite3_column_int(statement, 0) > 0)
        findings_caution(out, "Samples of %d cup%s were read unfiltered: fines make strength read high and unsteady.",
                         sqlite3_column_int(statement, 0), sqlite3_column_int(statement, 0) == 1 ? "" : "s");
    if (code == SQLITE_ROW && sqlite3_column_int(statement, 1) > 0)
        caution_reckoned(out, statement);
    return answered(database, statement, code, why);
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

/* Is it the levels of a factor that were pressed until dry, or not?  Then that is what was varied. */
static bool is_varied(const struct findings *out)
{
    for (int f = 0; f < out->factor_count; f++) {
        int dry[LEVELS] = { 0 }, stopped[LEVELS] = { 0 }, mixed = 0;

        for (size_t i = 0; i < out->point_count; i++) {
            double value = out->point[i].cup->measures.value[MEASURE_PRESSED_DRY];

            dry[out->point[i].level[f]] += value > 0.5;
            stopped[out->point[i].level[f]] += value <= 0.5;
        }
        for (int i = 0; i < out->factor[f].level_count; i++)
            mixed += dry[i] && stopped[i];
        if (!mixed)
            return true;
    }
    return false;
}

/* A press that goes on until nothing more comes is worth some grams: cups that differ in it differ already. */
static void caution_pressed_dry(struct findings *out)
{
    int dry = 0, stopped = 0;

    for (size_t i = 0; i < out->point_count; i++) {
        double value = out->point[i].cup->measures.value[MEASURE_PRESSED_DRY];

        dry += value > 0.5;
        stopped += value <= 0.5;
    }
    if (dry && stopped && is_varied(out))
        return;
    if (dry && stopped)
        findings_caution(out,
                         "%d cup%s pressed until nothing more came, %d %s stopped before: that alone is worth some "
                         "grams of beverage.",
                         dry, dry == 1 ? " was" : "s were", stopped, stopped == 1 ? "was" : "were");
}

/* A curve is judged by how far the cups lie from it, also where no level has two. */
static bool has_curve(const struct findings *out)
{
    bool fitted = out->design == DESIGN_NUMBERS && out->has_trend && out->trend.df;

    for (int i = 0; i < out->curve_count; i++)
        fitted = fitted || (out->curve[i].fitted && out->curve[i].fit.df);
    return fitted;
}

static void caution_spread(struct findings *out)
{
    static const char by_the_curve[] = " The curve is judged by how far the cups lie from it.";
    const char *curve = has_curve(out) ? by_the_curve : "", *step = step_of(measure_name(out->options->measure));
    int single = 0;

    for (int i = 0; i < out->level_count; i++)
        single += out->level[i].level_of.n < 2;
    if (!single || out->level_count < 2)
        return;
    if (single < out->level_count)
        findings_caution(out, "%d level%s one cup only: judged by what the cups of the others scatter.", single,
                         single == 1 ? " has" : "s have");
    else if (out->spread_source == SPREAD_OF_BENCH)
        findings_caution(out,
                         "One cup per level: these cups do not show how much cups of one level differ. Intervals of "
                         "levels rest on the bench's own repeats in other experiments (%.2g%s%s, from %.0f repeats), "
                         "and no difference of two levels is called.%s",
                         out->spread, *step ? " " : "", step, out->spread_df, curve);
    else
        findings_caution(out,
                         "One cup per level: nothing shows how much cups of one level differ, so no difference%s "
                         "can be judged. Brew each level again.%s",
                         *curve ? " of two levels" : "", curve);
}

/* Is it varied, or has it not always been the same? */
static bool differs(const struct findings *out, const char *name)
{
    for (int f = 0; f < out->factor_count; f++)
        if (strcmp(out->factor[f].name, name) == 0)
            return true;
    for (size_t i = 1; i < out->point_count; i++)
        if (out->point[i].cup->recipe != out->point[0].cup->recipe
            && !json_equal(json_object_get(out->point[i].cup->recipe, name),
                           json_object_get(out->point[0].cup->recipe, name)))
            return true;
    return false;
}

/* What was the same throughout says nothing about elsewhere. */
static void caution_one_of_each(struct findings *out)
{
    bool coffee = !differs(out, "coffee"), grinder = !differs(out, "grinder");

    if (!out->point_count)
        return;
    findings_caution(
        out,
        "%s%s%s%s as far as the store knows: another coffee or grinder may give other numbers, and other differences.%s",
        days_of(out) == 1 ? "One day" : "Several days",
        coffee && grinder   ? ", "
        : coffee || grinder ? " and "
                            : "",
        coffee ? "one coffee" : "", grinder ? coffee ? " and one grinder" : "one grinder" : "",
        days_of(out) == 1
            ? ""
            : " What is shown of a level's mean holds for these days; on another day it may lie elsewhere.");
}

int findings_find_cautions(sqlite3 *database, struct findings *out, struct why *why)
{
    int error;

    caution_spread(out);
    caution_impossible(out);
    caution_uncounted(out);
    caution_too_much(out);
    caution_unfiltered(out);
    caution_pressed_dry(out);
    if (out->point_count && several(out, offsetof(struct cup, bench)))
        findings_caution(out, "Cups from several benches are counted together: their instruments may differ.");
    caution_one_of_each(out);
    error = caution_samples(database, out, why);
    return error ? error : caution_blank(database, out, why);
}
