/* Levels compared: by the layout they were brewed in, pair by pair, and equality within a margin; see findings.h.  What
 * two factors do on the mean is in findings_effects.c. */
#include "findings_parts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What each block adds to its cups, on the mean. */
static void find_block_effects(struct findings *out)
{
    double cups[BLOCKS_MOST] = { 0 };

    for (size_t i = 0; i < out->point_count && out->block_count; i++)
        cups[out->block[i]]++;
    for (size_t i = 0; i < out->point_count && out->block_count; i++)
        out->block_effect[out->block[i]] += (out->point[i].y - out->layout.mean[out->cell[i]]) / cups[out->block[i]];
}

static void find_layout(struct findings *out, double *values)
{
    struct layout layout = { .value = values,
                             .level = out->cell,
                             .block = out->block_count ? out->block : NULL,
                             .day = out->day_count > 1 ? out->day : NULL,
                             .factorial = out->factor_count == 2,
                             .n = out->point_count,
                             .levels = (size_t)out->level_count };
    struct why why = { "" };
    int error;

    if (out->spread_source == SPREAD_OF_BENCH) {
        layout.spread = out->spread;
        layout.spread_df = out->spread_df;
    }
    error = layout_analyse(&layout, &out->layout, &why);
    out->has_layout = error == 0;
    out->has_no_scatter = error == -EDOM;
    if (!out->has_layout) {
        snprintf(out->no_anova, sizeof out->no_anova, "%.199s", why.text);
        return;
    }
    find_block_effects(out);
    for (int i = 0; i < out->level_count; i++) {
        out->level[i].adjusted = out->layout.mean[i];
        out->broken_blocks = out->broken_blocks || fabs(out->layout.mean[i] - out->level[i].level_of.mean) > 1e-9;
    }
}

/* A level's own mean, by the spread of all where nothing shows that levels scatter unlike each other: two cups alone
 * would give anything from nothing to several times too much. */
static void find_level_intervals(struct findings *out)
{
    static const double unlike = 0.05;
    bool own = out->has_layout && out->layout.alike_p < unlike;

    for (int i = 0; i < out->level_count; i++) {
        struct level level = out->level[i].level_of;

        if ((!own || !(level.df > 1)) && out->spread_source != SPREAD_NONE) {
            level.spread = out->spread;
            level.df = out->spread_df;
        }
        out->level[i].interval = level_interval(&level, out->confidence);
    }
}

static void find_anova(struct findings *out, double *values, int *room)
{
    struct anova_data data = { values, room, NULL, NULL, out->point_count };
    struct why why = { "" };

    for (size_t i = 0; i < out->point_count; i++) {
        room[i] = out->point[i].level[0];
        room[out->point_count + i] = out->point[i].level[1];
    }
    if (out->factor_count == 2)
        data.b = room + out->point_count;
    if (out->block_count)
        data.block = out->block;
    out->has_anova = compare_anova(&data, &out->anova, &why) == 0;
    if (!out->has_anova && data.block) {
        data.block = NULL;
        out->has_anova = compare_anova(&data, &out->anova, &why) == 0;
    }
    if (!out->has_anova && !out->no_anova[0])
        snprintf(out->no_anova, sizeof out->no_anova, "%.199s", why.text);
}

/* Two levels: two one-sided tests.  More: the interval that holds for all pairs together lies within the margin. */
static void find_equal(struct findings *out)
{
    double margin = out->options->margin, alpha = 1 - out->confidence;

    if (out->level_count == 2 && out->pair_count && alpha > 0) {
        struct difference inner;

        out->has_equivalence = layout_pair(&out->layout, 1, 0, 2, 1 - 2 * alpha, &inner) == 0;
        out->equivalence.interval = inner.interval;
        out->equivalence.p = equivalence_p(&inner, margin);
        out->equivalence.equal = out->has_equivalence && out->equivalence.p < alpha;
    }
    out->all_equal = out->pair_count > 0;
    for (int i = 0; i < out->pair_count; i++) {
        struct pair_finding *pair = &out->pair[i];

        pair->equal = out->level_count == 2
                          ? out->has_equivalence && out->equivalence.equal
                          : pair->difference.interval.low > -margin && pair->difference.interval.high < margin;
        out->all_equal = out->all_equal && pair->equal;
    }
}

/* One cup a level: other experiments may have been steadier than this one, and nothing here shows whether they were.
 * Along a number or a time the cups' distance from the line or the curve shows it. */
static void refuse_borrowed(struct findings *out)
{
    double levels = out->level_count, reach;

    if (!out->has_layout || out->layout.method != LAYOUT_BORROWED
        || (out->design != DESIGN_WORDS && out->design != DESIGN_TWO))
        return;
    reach = studentized_range_quantile(out->confidence, (size_t)out->level_count, levels) / M_SQRT2 * out->spread;
    findings_refuse(out, "one cup", -1,
                    "with one cup per level nothing shows how much these cups scatter; two per level would show "
                    "a difference of about %.2g%s%s, if they scatter like the bench's other repeats",
                    reach, *step_of(measure_name(out->options->measure)) ? " " : "",
                    step_of(measure_name(out->options->measure)));
}

/* May these two combinations be held against each other?  Not where a factor that they differ in is refused. */
static bool refused_pair(const struct findings *out, const struct pair_finding *pair)
{
    const int *first = out->level[pair->first].level, *second = out->level[pair->second].level;

    for (int f = 0; f < out->factor_count; f++)
        if (first[f] != second[f] && findings_refused(out, f))
            return true;
    return findings_refused(out, -1) != NULL;
}

static void find_pairs(struct findings *out)
{
    for (int second = 0; second < out->level_count && out->has_layout; second++)
        for (int first = second + 1; first < out->level_count; first++) {
            struct pair_finding *pair = &out->pair[out->pair_count];

            pair->first = first;
            pair->second = second;
            if (layout_pair(&out->layout, (size_t)first, (size_t)second, (size_t)out->level_count, out->confidence,
                            &pair->difference)
                < 0)
                continue;
            pair->shown = pair->difference.p < 1 - out->confidence && out->layout.method != LAYOUT_BORROWED
                          && !refused_pair(out, pair);
            out->pair_count++;
        }
    if (!isnan(out->options->margin) && out->layout.method != LAYOUT_BORROWED)
        find_equal(out);
}

void findings_compare(struct findings *out, double *values)
{
    int *room = malloc((2 * out->point_count + 1) * sizeof *room);

    for (int i = 0; i < out->level_count; i++)
        out->level[i].adjusted = out->level[i].level_of.mean;
    for (size_t i = 0; i < out->point_count; i++)
        values[i] = out->point[i].y;
    if (room && out->level_count > 1) {
        find_layout(out, values);
        refuse_borrowed(out);
        find_anova(out, values, room);
        find_pairs(out);
        if (out->factor_count == 2)
            findings_find_effects(out);
    }
    find_level_intervals(out);
    free(room);
}
