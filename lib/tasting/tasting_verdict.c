/* From counts to a verdict; see tasting_verdict.h.  The statistics are discrimination.h's, the words are in
 * tasting_words.c. */
#include "poise/tasting_verdict.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tasting_parts.h"

static bool is_pair(enum tasting_method method)
{
    return method == TASTING_DIRECTIONAL || method == TASTING_PREFERENCE;
}

/* Did a taster answer more than once? */
static bool has_repeats(const struct tasting_score *score)
{
    for (size_t i = 0; i < score->tasters; i++)
        if (score->taster[i].answered > 1)
            return true;
    return false;
}

/* Are the tasters a sample of people, whose repeats must not pass for more people? */
static bool is_about_people(const struct tasting_score *score)
{
    return has_repeats(score) && score->tasters >= TASTERS_FOR_PEOPLE;
}

/* The hits that count: right answers, or choices of the favoured sample. */
static unsigned hits_of(const struct tasting_verdict *verdict, unsigned hits, unsigned answered)
{
    return is_pair(verdict->method) && verdict->favoured == 0 ? answered - hits : hits;
}

/* ---- the finding ---- */

/* Every look so far, and the present one at the end. */
static unsigned bound_now(const struct tasting_session *session, const struct tasting_score *score, unsigned planned,
                          double *level)
{
    unsigned at[SCORE_LOOKS + 1], bound[SCORE_LOOKS + 1];
    size_t looks = score->looks;

    memcpy(at, score->look, looks * sizeof *at);
    if (looks == 0 || at[looks - 1] < score->answered)
        at[looks++] = score->answered;
    if (looks == 1 && at[0] >= planned) { /* never looked: the whole of alpha at the end */
        *level = session->alpha;
        return tasting_critical(session->method, score->answered, session->alpha);
    }
    if (isnan(tasting_look_bounds(session->method, session->alpha, at, looks, planned, bound)))
        return 0;
    *level = bound[looks - 1] ? proportion_tail(bound[looks - 1], score->answered, tasting_chance(session->method)) : 0;
    return bound[looks - 1];
}

/* "The same": so few right as the limit's share would hardly leave; where tasters repeat, people at the limit
 * must lie outside of what the tasters' spread allows too. */
static bool is_same(const struct tasting_session *session, const struct tasting_score *score)
{
    double chance = tasting_chance(session->method), at_limit = chance + session->limit * (1 - chance);
    int most = tasting_most_alike(session->method, score->answered, session->limit, session->beta);

    if ((int)score->hits > most)
        return false;
    if (!is_about_people(score))
        return true;
    return tasting_panel_of(score, score->hits, 1 - 2 * session->beta).high < at_limit;
}

static void judge_right(const struct tasting_session *session, const struct tasting_score *score, unsigned planned,
                        struct tasting_verdict *out)
{
    bool at_end = score->answered >= planned;
    bool looking = score->looks > 0 && score->look[score->looks - 1] == score->answered;
    unsigned bound;

    if (!at_end && !looking) {
        out->unjudged = "not all planned sets are answered";
        return;
    }
    bound = bound_now(session, score, planned, &out->level);
    out->p = tasting_p(session->method, score->hits, score->answered);
    out->looked = score->looks > 0;
    if (score->reached || (bound > 0 && score->hits >= bound))
        out->finding = TASTING_DIFFERENT;
    else if (!at_end)
        out->unjudged = "not all planned sets are answered, and the look's bound was not reached";
    else
        out->finding = is_same(session, score) ? TASTING_SAME : TASTING_NOT_SHOWN;
}

/* Several tasters: each one's surplus of the second sample over the first. */
static double preference_p(const struct tasting_score *score)
{
    int surplus[SCORE_TASTERS];

    if (score->tasters == 1)
        return tasting_p(TASTING_PREFERENCE, score->hits, score->answered);
    for (size_t i = 0; i < score->tasters; i++)
        surplus[i] = 2 * (int)score->taster[i].hits - (int)score->taster[i].answered;
    return sign_flip_p(surplus, score->tasters, true);
}

/* The share of the favoured within the limit of an even split. */
static bool is_even(const struct tasting_session *session, const struct tasting_score *score)
{
    struct interval interval = !is_about_people(score)
                                   ? proportion_interval(score->hits, score->answered, 1 - 2 * session->beta)
                                   : tasting_panel_of(score, score->hits, 1 - 2 * session->beta);

    return interval.low > 0.5 - session->limit / 2 && interval.high < 0.5 + session->limit / 2;
}

static void judge_pair(const struct tasting_session *session, const struct tasting_score *score,
                       struct tasting_verdict *out)
{
    out->favoured = 2 * score->hits == score->answered ? -1 : 2 * score->hits > score->answered;
    if (session->method == TASTING_DIRECTIONAL && session->expected >= 0) {
        out->favoured = session->expected;
        out->p = proportion_tail(hits_of(out, score->hits, score->answered), score->answered, 0.5);
    } else if (session->method == TASTING_DIRECTIONAL) {
        out->p = tasting_p(TASTING_DIRECTIONAL, score->hits, score->answered);
    } else {
        out->p = preference_p(score);
    }
    out->finding = out->p <= session->alpha  ? TASTING_DIFFERENT
                   : is_even(session, score) ? TASTING_SAME
                                             : TASTING_NOT_SHOWN;
}

/* Ranks of the sums, ties shared, doubled. */
static void rank_sums(const unsigned *sum, int samples, unsigned char *doubled)
{
    for (int i = 0; i < samples; i++) {
        int rank = 2;

        for (int other = 0; other < samples; other++)
            if (other != i)
                rank += sum[other] < sum[i] ? 2 : sum[other] == sum[i];
        doubled[i] = (unsigned char)rank;
    }
}

static void judge_ranking(const struct tasting_session *session, const struct tasting_score *score,
                          struct tasting_verdict *out)
{
    unsigned char doubled[SCORE_ANSWERS * TASTING_CUPS];
    unsigned all[TASTING_CUPS] = { 0 };
    size_t samples = (size_t)score->samples, rows = score->tasters == 1 ? score->rows : score->tasters;
    double chi_square;

    for (size_t unit = 0; unit < rows; unit++) {
        unsigned sum[TASTING_CUPS] = { 0 };

        for (size_t row = 0; row < score->rows; row++)
            if (score->tasters == 1 ? row == unit : score->of[row] == unit)
                for (size_t i = 0; i < samples; i++)
                    sum[i] += score->row[row][i];
        rank_sums(sum, score->samples, doubled + unit * samples);
        for (size_t i = 0; i < samples; i++)
            all[i] += doubled[unit * samples + i];
    }
    if (ranking_test_ties(doubled, rows, samples, &chi_square, &out->p) != 0) {
        out->unjudged = "one ranking alone shows nothing";
        return;
    }
    out->favoured = 0;
    for (int i = 1; i < score->samples; i++)
        out->favoured = all[i] < all[out->favoured] ? i : out->favoured;
    out->finding = out->p <= session->alpha ? TASTING_DIFFERENT : TASTING_NOT_SHOWN;
}

/* How much further than the control, by set, or summed by taster. */
static size_t rated_further(const struct tasting_score *score, bool by_taster, int *difference)
{
    size_t count = by_taster ? score->tasters : score->rows;

    memset(difference, 0, count * sizeof *difference);
    for (size_t row = 0; row < score->rows; row++)
        difference[by_taster ? score->of[row] : row] += score->row[row][1] - score->row[row][0];
    return count;
}

static void judge_degree(const struct tasting_session *session, const struct tasting_score *score,
                         struct tasting_verdict *out)
{
    int difference[SCORE_ANSWERS];
    /* were the cups alike, which is the control would be a toss in each set, whoever tastes */
    size_t count = rated_further(score, false, difference);

    out->favoured = 1;
    out->p = sign_flip_p(difference, count, false);
    out->finding = out->p <= session->alpha ? TASTING_DIFFERENT : TASTING_NOT_SHOWN;
}

void tasting_judge(const struct tasting_session *session, const struct tasting_score *score,
                   struct tasting_verdict *out)
{
    unsigned planned;

    memset(out, 0, sizeof *out);
    out->method = session->method;
    snprintf(out->question, sizeof out->question, "%s", session->question);
    snprintf(out->experiment, sizeof out->experiment, "%s", session->experiment);
    out->sample_count = session->sample_count;
    memcpy(out->sample, session->sample, sizeof out->sample);
    out->favoured = -1;
    out->p = out->proportion = out->share = out->dprime = out->p_alike = NAN;
    out->proportion_95 = out->share_95 = out->dprime_95 = (struct interval){ NAN, NAN };
    out->level = session->alpha;
    out->answered = score->answered;
    out->hits = score->hits;
    out->planned = session->planned;
    out->limit = session->limit;
    out->tasters = score->tasters;
    out->one_taster = score->tasters == 1;
    out->by_eye = session->seen;
    out->alone = session->alone;
    out->sure = score->sure;
    out->sure_right = score->sure_right;
    memcpy(out->chosen, score->chosen, sizeof out->chosen);
    for (size_t i = 0; i < score->tasters; i++) {
        snprintf(out->taster[i].name, sizeof out->taster[i].name, "%s", score->taster[i].name);
        out->taster[i].hits = score->taster[i].hits;
        out->taster[i].answered = score->taster[i].answered;
    }
    if (score->tasters > 0)
        snprintf(out->whose, sizeof out->whose, "%s", score->taster[0].name);
    planned = session->planned > score->left_out ? session->planned - score->left_out : 1;
    if (score->answered == 0)
        out->unjudged = "there is no answer that counts";
    else if (session->seen)
        out->unjudged = "the cups could be distinguished by eye";
    else if (tasting_method_has_right(session->method))
        judge_right(session, score, planned, out);
    else if (score->answered < planned)
        out->unjudged = "not all planned sets are answered";
    else if (is_pair(session->method))
        judge_pair(session, score, out);
    else if (session->method == TASTING_RANKING)
        judge_ranking(session, score, out);
    else
        judge_degree(session, score, out);
    out->left_out = score->left_out;
}

/* ---- how much ---- */

struct interval tasting_panel_of(const struct tasting_score *score, unsigned hits, double confidence)
{
    unsigned right[SCORE_TASTERS], n[SCORE_TASTERS];

    for (size_t i = 0; i < score->tasters; i++) {
        n[i] = score->taster[i].answered;
        right[i] = hits == score->hits ? score->taster[i].hits : n[i] - score->taster[i].hits;
    }
    return tasting_panel_interval(right, n, score->tasters, confidence);
}

static void measure_alike(const struct tasting_score *score, struct tasting_verdict *out)
{
    unsigned right[SCORE_TASTERS], n[SCORE_TASTERS];
    struct tasting_panel panel;

    for (size_t i = 0; i < score->tasters; i++) {
        right[i] = score->taster[i].hits;
        n[i] = score->taster[i].answered;
    }
    if (tasting_panel_fit(out->method, right, n, score->tasters, &panel) == 0)
        out->p_alike = panel.p_alike;
}

static void measure_proportion(const struct tasting_score *score, struct tasting_verdict *out)
{
    unsigned hits = hits_of(out, score->hits, score->answered);
    bool by_people = is_about_people(score);
    struct interval ends =
        by_people ? tasting_panel_of(score, hits, 0.95) : proportion_interval(hits, score->answered, 0.95);

    out->over_people = by_people || (score->tasters > 1 && !has_repeats(score));
    out->proportion = (double)hits / score->answered;
    out->proportion_95 = ends;
    out->share = tasting_share(out->method, out->proportion);
    out->share_95 = (struct interval){ tasting_share(out->method, ends.low), tasting_share(out->method, ends.high) };
    out->dprime = tasting_dprime(out->method, out->proportion);
    out->dprime_95 = (struct interval){ tasting_dprime(out->method, ends.low), tasting_dprime(out->method, ends.high) };
    measure_alike(score, out);
}

/* Mean and deviation of so many numbers. */
static double deviation_of(const double *value, size_t count, double *mean)
{
    double sum = 0, squares = 0;

    for (size_t i = 0; i < count; i++)
        sum += value[i];
    *mean = sum / (double)count;
    for (size_t i = 0; i < count; i++)
        squares += (value[i] - *mean) * (value[i] - *mean);
    return count > 1 ? sqrt(squares / (double)(count - 1)) : (double)NAN;
}

static double signed_dprime(double proportion)
{
    return proportion < 0.5 ? -tasting_dprime(TASTING_DIRECTIONAL, 1 - proportion)
                            : tasting_dprime(TASTING_DIRECTIONAL, proportion);
}

/* Points on the scale with an interval over tasters, or over the sets of one; d' from set to set. */
static void measure_degree(const struct tasting_score *score, struct tasting_verdict *out)
{
    int difference[SCORE_ANSWERS];
    double value[SCORE_ANSWERS] = { 0 }, deviation, reach;
    size_t count = rated_further(score, false, difference);
    bool by_taster = score->tasters >= TASTERS_FOR_PEOPLE;

    for (size_t i = 0; i < count; i++)
        value[i] = difference[i];
    deviation = deviation_of(value, count, &out->proportion);
    out->dprime = rating_dprime(out->proportion, deviation);
    out->dprime_95 = rating_dprime_interval(out->proportion, deviation, (unsigned)count, 0.95);
    if (by_taster) {
        count = rated_further(score, true, difference);
        for (size_t i = 0; i < count; i++)
            value[i] = (double)difference[i] / score->taster[i].answered;
        deviation = deviation_of(value, count, &out->proportion);
        out->over_people = true;
    }
    if (count < 2)
        return;
    reach = gsl_cdf_tdist_Pinv(0.975, (double)count - 1) * deviation / sqrt((double)count);
    out->proportion_95 = (struct interval){ out->proportion - reach, out->proportion + reach };
}

/* Of the samples named first and last, which came first in each ranking: a pair of sensations, as in a comparison of
 * two (Thurstone).  Named, not chosen by their ranks: so the interval holds. */
static void measure_ranking(const struct tasting_score *score, struct tasting_verdict *out)
{
    unsigned right[SCORE_TASTERS] = { 0 }, n[SCORE_TASTERS], hits = 0;
    int last = score->samples - 1;

    for (size_t row = 0; row < score->rows; row++) {
        bool before = score->row[row][0] < score->row[row][last];

        hits += before;
        right[score->of[row]] += before;
    }
    for (size_t i = 0; i < score->tasters; i++)
        n[i] = score->taster[i].answered;
    out->over_people = score->tasters > 1 && (!has_repeats(score) || is_about_people(score));
    out->proportion = (double)hits / score->answered;
    out->proportion_95 = is_about_people(score) ? tasting_panel_interval(right, n, score->tasters, 0.95)
                                                : proportion_interval(hits, score->answered, 0.95);
    /* the sign says which way: below one half the last-named came first */
    out->dprime = signed_dprime(out->proportion);
    out->dprime_95 = (struct interval){ signed_dprime(out->proportion_95.low), signed_dprime(out->proportion_95.high) };
}

void tasting_measure(const struct tasting_session *session, const struct tasting_score *score,
                     struct tasting_verdict *out)
{
    (void)session;
    if (score->answered == 0)
        return;
    if (out->method == TASTING_DEGREE)
        measure_degree(score, out);
    else if (out->method == TASTING_RANKING)
        measure_ranking(score, out);
    else
        measure_proportion(score, out);
}
