/* What else differs from level to level, and levels compared with dose, water and temperature as measured, in words;
 * see words.h. */
#include "words.h"

#include <math.h>
#include <string.h>

enum { ROWS_MOST = 24 }; /* of pairs: more are read by nobody */

static void others(const struct findings *findings, struct document *out)
{
    if (!findings->beside_count)
        return;
    document_add(out, BLOCK_HEADING, "What else differs from level to level");
    for (int i = 0; i < findings->beside_count; i++) {
        const struct beside_finding *beside = &findings->beside[i];
        const struct factor *factor = &findings->factor[beside->factor];
        const char *unit = unit_of(measure_name(beside->measure));
        char words[SENTENCE_SIZE] = "", level[WORDS_SIZE], p[32];
        size_t length = 0;

        words_p(beside->p, p);
        for (int j = 0; j < factor->level_count && length + 160 < sizeof words; j++) {
            findings_level_call(factor, j, level);
            length += (size_t)snprintf(words + length, sizeof words - length, "%s%.*f%s%s at %.80s", j ? ", " : "",
                                       decimals_shown(beside->measure), beside->mean[j], *unit ? " " : "", unit, level);
        }
        document_add(out, BLOCK_ITEM, "%s: %s (p %s).", call_of(measure_name(beside->measure)), words, p);
    }
    document_add(out, BLOCK_TEXT,
                 "All that was measured of pour, steep and press is asked together (Holm). What differs may be how a "
                 "level works, or why its cups differ.");
}

static void slope_items(const struct findings *findings, struct document *out)
{
    const char *measure = measure_name(findings->options->measure), *step = step_of(measure);

    for (int i = 0; i < findings->covariates.count; i++) {
        const struct covariate *its = &findings->covariates.covariate[i];
        const char *unit = unit_of(measure_name(its->measure));
        char interval[96];

        if (!its->known)
            continue;
        words_interval(its->slope.interval, 2, step, interval);
        document_add(out, BLOCK_ITEM, "One %s more of %s changes %s by %+.2f %s (%s).", unit,
                     call_of(measure_name(its->measure)), call_of(measure), its->slope.difference, step, interval);
    }
}

static void pair_rows(const struct findings *findings, struct document *out)
{
    const char *step = step_of(measure_name(findings->options->measure));
    char titles[200], first[2 * WORDS_SIZE], second[2 * WORDS_SIZE], interval[96], p[32];
    int rows = 0;

    snprintf(titles, sizeof titles, "compared|#as brewed, %s|#adjusted|%.4g %% interval|#p|#changed by", step,
             100 * findings->confidence);
    document_table(out, titles);
    for (int i = 0; i < findings->pair_count && rows < ROWS_MOST; i++) {
        const struct difference *adjusted = &findings->covariates.adjusted[i];
        const struct pair_finding *pair = &findings->pair[i];
        const int *one = findings->level[pair->first].level, *other = findings->level[pair->second].level;

        if (!findings->covariates.known_pair[i]
            || (findings->factor_count == 2 && one[0] != other[0] && one[1] != other[1])
            || !words_worth_a_line(findings, pair, findings->factor_count == 2 && one[1] != other[1]))
            continue;
        findings_level_words(findings, pair->first, first);
        findings_level_words(findings, pair->second, second);
        words_interval(adjusted->interval, 2, "", interval);
        words_p(adjusted->p, p);
        document_row(out, "%s against %s" CELL "%+.2f" CELL "%+.2f" CELL "%s" CELL "%s" CELL "%+.2f", first, second,
                     pair->difference.difference, adjusted->difference, interval, p,
                     adjusted->difference - pair->difference.difference);
        rows++;
    }
}

static void adjusted(const struct findings *findings, struct document *out)
{
    const struct covariates *its = &findings->covariates;
    char names[WORDS_SIZE];

    if (!its->fitted)
        return;
    findings_covariate_names(findings, names);
    document_add(out, BLOCK_HEADING, "With %s as measured", names);
    slope_items(findings, out);
    pair_rows(findings, out);
    document_add(
        out, BLOCK_TEXT,
        "Adjusted: as if every cup had had the mean %s (analysis of covariance, one slope for all levels, %.0f "
        "degrees of freedom left). The headline is of the cups as they were brewed.",
        names, its->df);
}

void words_beside(const struct findings *findings, struct document *out)
{
    others(findings, out);
    adjusted(findings, out);
}
