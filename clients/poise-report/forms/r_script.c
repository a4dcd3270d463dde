/* --r FOLDER: the cups that count, the numbers of the report, and a script that works them out from the cups with base
 * R (forms/report.R), so that anybody may check them. */
#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "poise/program.h"
#include "r_script.h"

extern const char report_r[]; /* forms/report.R, as the build read it */

static FILE *open_in(const char *folder, const char *name)
{
    char path[1024];
    FILE *file;

    snprintf(path, sizeof path, "%s/%s", folder, name);
    file = fopen(path, "we");
    if (!file)
        program_message("%s: cannot be written: %s", path, strerror(errno));
    return file;
}

static bool close_file(FILE *file, const char *folder)
{
    bool failed = ferror(file) != 0;

    failed = fclose(file) != 0 || failed;
    if (failed)
        program_message("%s: cannot be written: %s", folder, strerror(errno));
    return !failed;
}

/* Names of the store's own are quoted; a quote in one is doubled. */
static void word(const char *text, FILE *out)
{
    fputc('"', out);
    for (; *text; text++) {
        if (*text == '"')
            fputc('"', out);
        fputc(*text, out);
    }
    fputs("\",", out);
}

static void number(double value, FILE *out)
{
    if (isfinite(value))
        fprintf(out, "%.17g,", value);
    else
        fputs("NA,", out);
}

static int curve_of(const struct findings *findings, const struct point *point)
{
    int other = findings_other_factor(findings);

    for (int i = 0; i < findings->curve_count; i++)
        if (other < 0 || findings->curve[i].level == point->level[other])
            return i;
    return -1;
}

static void write_cups(const struct findings *findings, FILE *out)
{
    static const enum measure covariates[] = { MEASURE_DOSE_G, MEASURE_WATER_G, MEASURE_SLURRY_C };
    bool blocked = findings->block_count > 0;

    fputs("brew,cell,block,day,", out);
    for (int f = 0; f < findings->factor_count; f++)
        fprintf(out, "factor%d,level%d,number%d,", f + 1, f + 1, f + 1);
    fputs("x,curve,dose_g,water_g,slurry_c,value\n", out);
    for (size_t i = 0; i < findings->point_count; i++) {
        const struct point *point = &findings->point[i];
        int curve = curve_of(findings, point);

        word(point->cup->brew, out);
        fprintf(out, "%d,%d,%d,", findings->cell[i], blocked ? findings->block[i] : 0,
                findings->day_count > 1 ? findings->day[i] : 0);
        for (int f = 0; f < findings->factor_count; f++) {
            word(findings->factor[f].level[point->level[f]].label, out);
            fprintf(out, "%d,", point->level[f]);
            number(findings->factor[f].level[point->level[f]].number, out);
        }
        number(point->x, out);
        if (curve >= 0)
            fprintf(out, "%d,", curve);
        else
            fputs("NA,", out);
        for (size_t j = 0; j < sizeof covariates / sizeof *covariates; j++)
            number(cup_value(point->cup, covariates[j]), out);
        fprintf(out, "%.17g\n", point->y);
    }
}

/* --- the numbers --- */

static void say(FILE *out, double value, const char *format, ...) __attribute__((format(printf, 3, 4)));
static void say(FILE *out, double value, const char *format, ...)
{
    va_list arguments;

    if (!isfinite(value))
        return;
    va_start(arguments, format);
    vfprintf(out, format, arguments);
    va_end(arguments);
    fprintf(out, ",%.17g\n", value);
}

static void write_settings(const struct findings *findings, FILE *out)
{
    const struct report_options *options = findings->options;
    int method = !findings->has_layout                        ? 0
                 : findings->layout.method == LAYOUT_SEPARATE ? 1
                 : findings->layout.method == LAYOUT_POOLED   ? 2
                 : findings->layout.method == LAYOUT_BLOCKS   ? 3
                 : findings->layout.method == LAYOUT_DAYS     ? 4
                                                              : 0;

    say(out, findings->confidence, "setting.confidence");
    say(out, method, "setting.method");
    say(out, options->share, "setting.share");
    say(out, options->step_s, "setting.step");
    say(out, options->least, "setting.least");
    say(out, options->least_doubling, "setting.doubling");
}

static void write_levels(const struct findings *findings, FILE *out)
{
    for (int i = 0; i < findings->level_count; i++) {
        const struct level_finding *level = &findings->level[i];

        say(out, (double)level->level_of.n, "level.%d.cups", i);
        say(out, level->level_of.mean, "level.%d.mean", i);
        if (level->level_of.n > 1)
            say(out, level->level_of.spread, "level.%d.spread", i);
        if (findings->spread_source != SPREAD_OF_LEVELS) /* that of other experiments: not in these cups */
            continue;
        say(out, level->interval.low, "level.%d.low", i);
        say(out, level->interval.high, "level.%d.high", i);
    }
    if (findings->layout.method == LAYOUT_BLOCKS) {
        say(out, findings->layout.spread, "layout.within");
        say(out, findings->layout.between, "layout.between");
    }
}

static void write_difference(const char *kind, int first, int second, const struct difference *difference, FILE *out)
{
    say(out, difference->difference, "%s.%d.%d.difference", kind, first, second);
    say(out, difference->interval.low, "%s.%d.%d.low", kind, first, second);
    say(out, difference->interval.high, "%s.%d.%d.high", kind, first, second);
    say(out, difference->p, "%s.%d.%d.p", kind, first, second);
}

/* Cells alike in number, in every block: then one analysis of variance is all of them. */
static bool balanced(const struct findings *findings)
{
    size_t blocks = findings->block_count ? (size_t)findings->block_count : 1;

    for (int i = 0; i < findings->level_count; i++)
        for (size_t block = 0; block < blocks; block++) {
            size_t cups = 0;

            for (size_t j = 0; j < findings->point_count; j++)
                cups += findings->cell[j] == i && (blocks == 1 || findings->block[j] == (int)block);
            if (cups * blocks * (size_t)findings->level_count != findings->point_count)
                return false;
        }
    return true;
}

static void write_anova(const struct findings *findings, FILE *out)
{
    static const char *const names[ANOVA_SOURCES] = { "a", "b", "both", "block" };

    for (int i = 0; i < ANOVA_SOURCES && findings->has_anova && balanced(findings); i++)
        if (findings->anova.line[i].df) {
            say(out, findings->anova.line[i].f, "anova.%s.f", names[i]);
            say(out, findings->anova.line[i].p, "anova.%s.p", names[i]);
        }
}

static void write_two(const struct findings *findings, FILE *out)
{
    for (int i = 0; i < 3 && findings->has_questions; i++)
        if (findings->questions.asked[i]) {
            say(out, findings->questions.p[i], "question.%d.p", i);
            say(out, findings->questions.adjusted[i], "question.%d.together", i);
        }
    for (int i = 0; i < findings->effect_count; i++) {
        const struct effect_finding *effect = &findings->effect[i];
        const struct difference *difference = &effect->difference;

        say(out, difference->difference, "effect.%d.%d.%d.difference", effect->factor, effect->first, effect->second);
        say(out, difference->interval.low, "effect.%d.%d.%d.low", effect->factor, effect->first, effect->second);
        say(out, difference->interval.high, "effect.%d.%d.%d.high", effect->factor, effect->first, effect->second);
    }
}

static void write_curves(const struct findings *findings, FILE *out)
{
    static const char *const names[ANSWERS] = { "share", "gain", "doubling" };

    for (int i = 0; i < findings->curve_count; i++) {
        const struct curve_finding *curve = &findings->curve[i];

        if (!curve->fitted || !curve->fit.quick || !curve->identified)
            continue;
        say(out, curve->fit.value[KINETICS_PLATEAU], "curve.%d.plateau", i);
        say(out, curve->plateau.low, "curve.%d.plateau.low", i);
        say(out, curve->plateau.high, "curve.%d.plateau.high", i);
        say(out, curve->fit.value[KINETICS_RATE], "curve.%d.rate", i);
        say(out, curve->rate.low, "curve.%d.rate.low", i);
        say(out, curve->rate.high, "curve.%d.rate.high", i);
        say(out, curve->fit.value[KINETICS_QUICK], "curve.%d.at_once", i);
        say(out, curve->fit.spread, "curve.%d.spread", i);
        for (int j = 0; j < ANSWERS; j++) {
            if (!(curve->answer[j].interval.low > 0) || !isfinite(curve->answer[j].interval.high))
                continue;
            say(out, curve->answer[j].value, "curve.%d.%s", i, names[j]);
            say(out, curve->answer[j].interval.low, "curve.%d.%s.low", i, names[j]);
            say(out, curve->answer[j].interval.high, "curve.%d.%s.high", i, names[j]);
        }
        if (curve->has_lack) {
            say(out, curve->lack.f, "curve.%d.lack.f", i);
            say(out, curve->lack.p, "curve.%d.lack.p", i);
        }
    }
}

/* A curve's slopes at the first level and the last, and where it turns. */
static void write_bent(const struct findings *findings, FILE *out)
{
    const struct factor *factor = &findings->factor[0];
    struct interval interval;

    say(out, trend_slope_at(&findings->trend, factor->level[0].number, findings->confidence, &interval), "bent.first");
    say(out, interval.low, "bent.first.low");
    say(out, interval.high, "bent.first.high");
    say(out,
        trend_slope_at(&findings->trend, factor->level[factor->level_count - 1].number, findings->confidence,
                       &interval),
        "bent.last");
    say(out, interval.low, "bent.last.low");
    say(out, interval.high, "bent.last.high");
    if (!findings->has_turn)
        return;
    say(out, findings->turn_at, "turn.at");
    say(out, findings->turn_interval.low, "turn.low");
    say(out, findings->turn_interval.high, "turn.high");
}

static void write_break(const struct trend_break *its, FILE *out)
{
    say(out, its->at, "break.at");
    say(out, its->at_interval.low, "break.low");
    say(out, its->at_interval.high, "break.high");
    say(out, its->value, "break.value");
    say(out, its->slope_before, "break.before");
    say(out, its->slope_after, "break.after");
    say(out, its->slope_after_interval.low, "break.after.low");
    say(out, its->slope_after_interval.high, "break.after.high");
    say(out, its->f, "break.f");
    say(out, its->p, "break.p");
}

static void write_line(const struct findings *findings, FILE *out)
{
    const struct trend_family *family = &findings->family;
    struct interval interval;
    double slope;

    if (findings->design != DESIGN_NUMBERS || !findings->has_trend)
        return;
    say(out, family->line, "family.line");
    say(out, family->curve, "family.curve");
    say(out, family->bent, "family.bent");
    say(out, family->any, "family.any");
    say(out, family->shape, "family.shape");
    if (findings->has_break)
        write_break(&findings->broken, out);
    if (findings->trend.degree == 2) {
        write_bent(findings, out);
        return;
    }
    slope = trend_slope_at(&findings->trend, findings->trend.centre, findings->confidence, &interval);
    say(out, slope, "line.slope");
    say(out, interval.low, "line.low");
    say(out, interval.high, "line.high");
}

static void write_covariates(const struct findings *findings, FILE *out)
{
    const struct covariates *its = &findings->covariates;

    for (int i = 0; i < its->count && its->fitted; i++) {
        const char *name = measure_name(its->covariate[i].measure);

        if (!its->covariate[i].known)
            continue;
        say(out, its->covariate[i].slope.difference, "slope.%s.per_unit", name);
        say(out, its->covariate[i].slope.interval.low, "slope.%s.low", name);
        say(out, its->covariate[i].slope.interval.high, "slope.%s.high", name);
    }
    for (int i = 0; i < findings->pair_count && its->fitted; i++)
        if (its->known_pair[i])
            write_difference("adjusted", findings->pair[i].first, findings->pair[i].second, &its->adjusted[i], out);
}

static void write_surface(const struct findings *findings, FILE *out)
{
    static const char *const terms[SURFACE_TERMS] = { "constant",      "first",          "second",
                                                      "first_squared", "second_squared", "both" };

    for (int i = 0; i < SURFACE_TERMS && findings->has_surface; i++)
        say(out, findings->surface.coefficient[i], "surface.%s", terms[i]);
    for (int f = 0; f < FACTORS && findings->has_surface; f++)
        say(out, findings->surface.at[f], "surface.at%d", f + 1);
}

static void write_numbers(const struct findings *findings, FILE *out)
{
    fputs("name,value\n", out);
    write_settings(findings, out);
    write_levels(findings, out);
    for (int i = 0; i < findings->pair_count && findings->layout.method != LAYOUT_BORROWED; i++)
        write_difference("pair", findings->pair[i].first, findings->pair[i].second, &findings->pair[i].difference, out);
    write_anova(findings, out);
    write_two(findings, out);
    write_line(findings, out);
    write_curves(findings, out);
    write_covariates(findings, out);
    write_surface(findings, out);
}

int r_write(const struct findings *findings, const char *folder)
{
    FILE *cups, *numbers, *script;
    bool good;

    if (mkdir(folder, 0777) != 0 && errno != EEXIST) {
        program_message("%s: cannot be made: %s", folder, strerror(errno));
        return EXIT_FAILED;
    }
    cups = open_in(folder, "cups.csv");
    if (!cups)
        return EXIT_FAILED;
    write_cups(findings, cups);
    good = close_file(cups, folder);
    numbers = good ? open_in(folder, "numbers.csv") : NULL;
    if (!numbers)
        return EXIT_FAILED;
    write_numbers(findings, numbers);
    good = close_file(numbers, folder);
    script = good ? open_in(folder, "report.R") : NULL;
    if (!script)
        return EXIT_FAILED;
    fputs(report_r, script);
    return close_file(script, folder) ? EXIT_DONE : EXIT_FAILED;
}
