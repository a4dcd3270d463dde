/* From answers to a verdict; see tasting_score.h.  The statistics are discrimination.h's. */
#include "poise/tasting_score.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

/* Sets looked through when account how many would be needed: beyond it nobody tastes. */
enum { MOST_SETS = 500 };

/* Shares of tastings that truly tell the cups apart, for which the outlook is given: half is a
 * difference that a careful taster notices more often than not (common practice, no source). */
static const double outlook_share = 0.5;

void tasting_score_begin(struct tasting_score *score, enum tasting_method method, int samples)
{
    memset(score, 0, sizeof *score);
    score->method = method;
    score->samples = samples;
}

static void add_taster(struct tasting_score *score, const char *name, bool right)
{
    size_t i = 0;

    while (i < score->tasters && strcmp(score->taster[i].name, name) != 0)
        i++;
    if (i == score->tasters) {
        if (score->tasters == SCORE_TASTERS)
            i--;
        else
            snprintf(score->taster[score->tasters++].name, sizeof score->taster[i].name, "%s", name);
    }
    score->taster[i].answered++;
    score->taster[i].right += right;
}

void tasting_score_add(struct tasting_score *score, const struct tasting_set *set, const int *place, bool sure,
                       const char *taster)
{
    bool right = tasting_answer_right(score->method, set, place);

    score->answered++;
    score->right += right;
    score->sure += sure;
    score->sure_right += sure && right;
    score->chosen[place[0]]++;
    if (score->method == TASTING_PAIRED)
        score->preferred[set->sample[place[0]] == 1]++;
    if (score->method == TASTING_RANKING && score->rankings < SCORE_RANKINGS) {
        unsigned char *rank = score->rank + score->rankings++ * (size_t)score->samples;

        for (int i = 0; i < set->cups; i++)
            rank[set->sample[place[i]]] = (unsigned char)(i + 1);
    }
    add_taster(score, taster, right);
}

static unsigned counted(const struct tasting_score *score)
{
    return score->method == TASTING_PAIRED ? score->preferred[0] : score->right;
}

double tasting_score_p(const struct tasting_score *score, bool *over_tasters)
{
    unsigned right[SCORE_TASTERS], n[SCORE_TASTERS];
    struct tasting_panel panel;
    struct ranking_result ranking;

    *over_tasters = false;
    if (score->answered == 0)
        return NAN;
    if (score->method == TASTING_RANKING)
        return ranking_test(score->rank, score->rankings, (size_t)score->samples, &ranking) == 0 ? ranking.p : NAN;
    for (size_t i = 0; i < score->tasters; i++) {
        right[i] = score->taster[i].right;
        n[i] = score->taster[i].answered;
    }
    if (score->method != TASTING_PAIRED && tasting_panel_fit(score->method, right, n, score->tasters, &panel) == 0) {
        *over_tasters = true;
        return panel.p;
    }
    return tasting_p(score->method, counted(score), score->answered);
}

/* "1 time in 56" or "more often than not". */
static char *by_luck(double p, char *out, size_t size)
{
    if (p > 0.5)
        snprintf(out, size, "more often than not");
    else if (p < 1e-6)
        snprintf(out, size, "less than one time in a million");
    else
        snprintf(out, size, "one time in %.0f", 1 / p);
    return out;
}

static void least_seen(const struct tasting_score *score, char *out, size_t size)
{
    double share = tasting_smallest_share(score->method, score->answered, TASTING_ALPHA, TASTING_POWER);

    if (isnan(share))
        snprintf(out, size, "so few sets could hardly have shown any");
    else
        snprintf(out, size,
                 "a difference would have been seen (4 times in 5) only if at least %.0f tastings in 100 "
                 "truly tell the cups apart",
                 ceil(share * 100));
}

static void ranking_sentence(const struct tasting_score *score, const char *const *sample, char *out)
{
    size_t length = 0;
    bool over;
    double p = tasting_score_p(score, &over);

    if (isnan(p)) {
        snprintf(out, SCORE_SENTENCE, "One ranking alone shows nothing: it takes two tasters or two rounds at least.");
        return;
    }
    length = (size_t)snprintf(out, SCORE_SENTENCE, "%s (Friedman, p %.2g); mean places:",
                              p <= TASTING_ALPHA ? "The cups do not rank alike" : "No difference in rank shown", p);
    for (int i = 0; i < score->samples && length < SCORE_SENTENCE; i++) {
        double sum = 0;

        for (size_t row = 0; row < score->rankings; row++)
            sum += score->rank[row * (size_t)score->samples + (size_t)i];
        length += (size_t)snprintf(out + length, SCORE_SENTENCE - length, "%s %s %.1f", i ? "," : "", sample[i],
                                   sum / (double)score->rankings);
    }
    if (length < SCORE_SENTENCE - 1)
        snprintf(out + length, SCORE_SENTENCE - length, ".");
}

char *tasting_score_sentence(const struct tasting_score *score, const char *const *sample, char out[SCORE_SENTENCE])
{
    char luck[64], least[200];
    bool over_tasters;
    double p = tasting_score_p(score, &over_tasters);

    if (score->answered == 0) {
        snprintf(out, SCORE_SENTENCE, "Nobody has answered yet.");
        return out;
    }
    if (score->method == TASTING_RANKING) {
        ranking_sentence(score, sample, out);
        return out;
    }
    by_luck(p, luck, sizeof luck);
    least_seen(score, least, sizeof least);
    if (score->method == TASTING_PAIRED) {
        unsigned more = score->preferred[1] > score->preferred[0];

        snprintf(out, SCORE_SENTENCE,
                 "%s was preferred in %u of %u; a split so uneven comes by luck %s "
                 "(p %.2g): %s%s.",
                 sample[more], score->preferred[more], score->answered, luck, p,
                 p <= TASTING_ALPHA ? "the preference is real" : "no preference shown; ",
                 p <= TASTING_ALPHA ? "" : least);
        return out;
    }
    snprintf(out, SCORE_SENTENCE, "%u of %u right; by luck alone so many come %s (p %.2g%s): %s%s.", score->right,
             score->answered, luck, p, over_tasters ? ", tasters kept apart from repeats" : "",
             p <= TASTING_ALPHA ? "the cups can be distinguished" : "no difference shown; ",
             p <= TASTING_ALPHA ? "" : least);
    return out;
}

static void ranking_outlook(int samples, unsigned sets, char *out)
{
    unsigned char alike[SCORE_RANKINGS * TASTING_CUPS];
    struct ranking_result result;

    for (unsigned row = 0; row < sets && row < SCORE_RANKINGS; row++)
        for (int cup = 0; cup < samples; cup++)
            alike[row * (unsigned)samples + (unsigned)cup] = (unsigned char)(cup + 1);
    if (ranking_test(alike, sets, (size_t)samples, &result) != 0)
        snprintf(out, SCORE_SENTENCE, "One ranking alone shows nothing: it takes two at least.");
    else if (result.p > TASTING_ALPHA)
        snprintf(out, SCORE_SENTENCE,
                 "Even if all %u rankings agree, luck does as well one time in %.0f: too few to "
                 "show anything.",
                 sets, 1 / result.p);
    else
        snprintf(out, SCORE_SENTENCE,
                 "If all %u rankings agree, luck does as well one time in %.0f; the less they "
                 "agree, the more are needed.",
                 sets, 1 / result.p);
}

char *tasting_outlook(enum tasting_method method, int samples, unsigned sets, char out[SCORE_SENTENCE])
{
    unsigned critical, least = 1, stays;
    char luck[64];

    if (method == TASTING_RANKING) {
        ranking_outlook(samples, sets, out);
        return out;
    }
    critical = tasting_critical(method, sets, TASTING_ALPHA);
    tasting_needed(method, TASTING_ALPHA, TASTING_POWER, outlook_share, MOST_SETS, NULL, &stays);
    while (tasting_critical(method, least, TASTING_ALPHA) == 0)
        least++;
    if (critical == 0)
        snprintf(out, SCORE_SENTENCE,
                 "%u set%s cannot show a difference: even all %s comes by luck %s. It takes %u "
                 "at the least, and %u to be fairly sure (4 times in 5) of a difference that half of the "
                 "tastings catch.",
                 sets, sets == 1 ? "" : "s", method == TASTING_PAIRED ? "alike" : "right",
                 by_luck(tasting_p(method, sets, sets), luck, sizeof luck), least, stays);
    else
        snprintf(out, SCORE_SENTENCE,
                 "%u of %u must %s before luck is an unlikely reason (p %.2g). A difference that "
                 "half of the tastings catch is shown by %u sets %.0f times in 100; %u sets would show it 4 times "
                 "in 5.",
                 critical, sets, method == TASTING_PAIRED ? "prefer the same" : "be right",
                 tasting_p(method, critical, sets), sets,
                 100 * tasting_power(method, sets, TASTING_ALPHA, outlook_share), stays);
    return out;
}

const char *const tasting_words[TASTING_WORDS] = { "sweet", "sour", "bitter", "harsh", "hollow", "clean", "body" };

void tasting_words_count(const char *text, unsigned count[TASTING_WORDS])
{
    bool met[TASTING_WORDS] = { false };

    while (*text) {
        size_t length = 0;

        while (isalpha((unsigned char)text[length]))
            length++;
        for (int word = 0; word < TASTING_WORDS; word++)
            if (length == strlen(tasting_words[word]) && strncasecmp(text, tasting_words[word], length) == 0)
                met[word] = true;
        text += length ? length : 1;
    }
    for (int word = 0; word < TASTING_WORDS; word++)
        count[word] += met[word];
}

char *tasting_words_text(const unsigned count[][TASTING_WORDS], const char *const *sample, int samples,
                         char out[SCORE_SENTENCE])
{
    size_t length = 0;

    out[0] = '\0';
    for (int word = 0; word < TASTING_WORDS; word++) {
        unsigned all = 0;

        for (int i = 0; i < samples; i++)
            all += count[i][word];
        for (int i = 0; i < samples && all > 0 && length < SCORE_SENTENCE; i++) {
            char lead[24];

            snprintf(lead, sizeof lead, "%s%s: ", length ? "; " : "", tasting_words[word]);
            length += (size_t)snprintf(out + length, SCORE_SENTENCE - length, "%s%s %u", i ? ", " : lead, sample[i],
                                       count[i][word]);
        }
    }
    return out;
}
