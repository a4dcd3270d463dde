/* What each of two factors does on the mean over the other's levels, and whether they depend on each other; see
 * findings.h. */
#include "findings_parts.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <string.h>

/* What each factor does is why two were varied: the questions' shares of what may be wrongly answered yes. */
static const double SHARES[3] = { 0.475, 0.475, 0.05 };

/* Which combination of levels is brewed; -1: none. */
static int place_of(const struct findings *findings, const int level[FACTORS])
{
    for (int i = 0; i < findings->level_count; i++)
        if (memcmp(findings->level[i].level, level, sizeof findings->level[i].level) == 0)
            return i;
    return -1;
}

/* The weights of one level of a factor against another: over those levels of the other factor that both met. */
static bool weights_of(const struct findings *findings, int factor, int first, int second, double weight[LEVELS])
{
    int common = 0;

    memset(weight, 0, LEVELS * sizeof *weight);
    for (int other = 0; other < findings->factor[1 - factor].level_count; other++) {
        int level[FACTORS], one, two;

        level[1 - factor] = other;
        level[factor] = first;
        one = place_of(findings, level);
        level[factor] = second;
        two = place_of(findings, level);
        if (one < 0 || two < 0)
            continue;
        weight[one] = 1;
        weight[two] = -1;
        common++;
    }
    for (int i = 0; i < LEVELS && common; i++)
        weight[i] /= common;
    return common > 0;
}

static double pair_p(const struct findings *findings, int factor, int first, int second, double confidence,
                     struct difference *out)
{
    double weight[LEVELS];
    size_t together = (size_t)findings->factor[factor].level_count;

    if (!weights_of(findings, factor, first, second, weight)
        || layout_contrast(&findings->layout, weight, confidence, out) < 0)
        return NAN;
    if (together > 2
        && compare_tukey_of(out->difference, out->standard_error, together, fmax(1, out->df),
                            studentized_range_quantile(confidence, together, fmax(1, out->df)), out)
               < 0)
        return NAN;
    return out->p;
}

/* Two by two: one contrast, which knows unequal spreads and blocks; else the F of the analysis of variance. */
static double interaction_p(const struct findings *findings)
{
    double weight[LEVELS] = { 0 };
    struct difference difference;

    if (findings->level_count == 4 && findings->factor[0].level_count == 2 && findings->factor[1].level_count == 2) {
        for (int i = 0; i < 4; i++)
            weight[i] = findings->level[i].level[0] == findings->level[i].level[1] ? 0.5 : -0.5;
        if (layout_contrast(&findings->layout, weight, findings->confidence, &difference) == 0)
            return difference.p;
    }
    return findings->has_anova && findings->anova.line[ANOVA_INTERACTION].df ? findings->anova.line[ANOVA_INTERACTION].p
                                                                             : (double)NAN;
}

static void ask(struct findings *out)
{
    struct questions *questions = &out->questions;
    struct difference difference;

    for (int f = 0; f < FACTORS; f++) {
        /* a curve's time is no question: that it matters is why it is a curve */
        bool curve = out->design == DESIGN_TIME && f == findings_numeric_factor(out);

        questions->p[f] = NAN;
        if (curve || findings_refused(out, f))
            continue;
        if (out->factor[f].level_count == 2)
            questions->p[f] = pair_p(out, f, 1, 0, out->confidence, &difference);
        else if (out->has_anova)
            questions->p[f] = out->anova.line[f].p;
    }
    questions->p[2] = findings_refused(out, -1) || findings_refused(out, 0) || findings_refused(out, 1)
                          ? (double)NAN
                          : interaction_p(out);
    memcpy(questions->adjusted, questions->p, sizeof questions->p);
    holm_adjust(questions->adjusted, SHARES, 3);
    holm_confidence(questions->p, SHARES, 3, out->confidence, questions->confidence);
    for (int i = 0; i < 3; i++) {
        questions->asked[i] = !isnan(questions->p[i]);
        questions->shown[i] = questions->asked[i] && questions->adjusted[i] < 1 - out->confidence;
    }
}

void findings_find_effects(struct findings *out)
{
    if (!out->has_layout || out->layout.method == LAYOUT_NONE || out->layout.method == LAYOUT_BORROWED)
        return;
    out->has_questions = true;
    ask(out);
    for (int f = 0; f < FACTORS; f++) {
        double confidence = out->questions.asked[f] ? out->questions.confidence[f] : out->confidence;

        for (int second = 0; second < out->factor[f].level_count; second++)
            for (int first = second + 1; first < out->factor[f].level_count; first++) {
                struct effect_finding *effect = &out->effect[out->effect_count];
                double p;

                if (out->effect_count == EFFECTS)
                    return;
                p = pair_p(out, f, first, second, confidence, &effect->difference);
                if (isnan(p))
                    continue;
                effect->factor = f;
                effect->first = first;
                effect->second = second;
                effect->shown = out->questions.shown[f] && p < 1 - confidence;
                out->effect_count++;
            }
    }
    if (out->questions.shown[2])
        return;
    /* combinations are held against each other only where one of the questions is answered yes */
    for (int i = 0; i < out->pair_count; i++) {
        const int *first = out->level[out->pair[i].first].level, *second = out->level[out->pair[i].second].level;
        bool earned = false;

        for (int f = 0; f < FACTORS; f++)
            earned = earned || (first[f] != second[f] && out->questions.shown[f]);
        out->pair[i].shown = out->pair[i].shown && earned;
    }
}
