/* The report of one experiment: levels, cautions, what was held; see words.h.  Headlines are in headline_*.c, the
 * sections of each design in words_details.c. */
#include "words.h"

#include <math.h>
#include <string.h>

enum { DECIMALS_MOST = 5 };

int words_decimals(struct interval interval, int decimals)
{
    for (int finer = decimals; finer <= DECIMALS_MOST; finer++)
        if (interval.high - interval.low >= pow(10, -finer))
            return finer; /* of many cups the ends differ only further down */
    return decimals;
}

void words_interval(struct interval interval, int decimals, const char *unit, char out[96])
{
    bool low = isfinite(interval.low) && interval.low > 0, high = isfinite(interval.high);

    if (isfinite(interval.low) && high)
        decimals = words_decimals(interval, decimals);
    if (isnan(interval.low) || isnan(interval.high))
        snprintf(out, 96, "not known");
    else if (isfinite(interval.low) && high)
        snprintf(out, 96, "%.*f to %.*f%s%s", decimals, interval.low, decimals, interval.high, *unit ? " " : "", unit);
    else if (low)
        snprintf(out, 96, "at least %.*f%s%s", decimals, interval.low, *unit ? " " : "", unit);
    else if (high)
        snprintf(out, 96, "at most %.*f%s%s", decimals, interval.high, *unit ? " " : "", unit);
    else
        snprintf(out, 96, "not identified");
}

void words_p(double p, char out[32])
{
    if (isnan(p))
        snprintf(out, 32, "not known");
    else if (p < 0.001)
        snprintf(out, 32, "below 0.001");
    else
        snprintf(out, 32, "%.*f", p < 0.1 ? 3 : 2, p);
}

bool words_smooth(const struct findings *findings)
{
    return findings->has_trend && findings->trend.degree == 2 && findings->has_break
           && findings->trend.aicc <= findings->broken.aicc;
}

bool words_breaks(const struct findings *findings)
{
    return findings->has_break && findings->bends && 2 * findings->broken.p < 1 - findings->confidence
           && !words_smooth(findings);
}

/* A model whose AICc is higher by this has a twentieth of the other one's evidence (2 ln 20; Burnham & Anderson, Model
 * Selection and Multimodel Inference, from memory): until then the place may be where either has it. */
static const double ABOUT_AS_GOOD = 6;

int words_turns(const struct findings *findings, double *at, struct interval *where)
{
    const struct trend_ends *ends = &findings->ends;
    int way = ends->rises_first && ends->falls_last ? 1 : ends->falls_first && ends->rises_last ? -1 : 0;
    bool pieces = findings->has_break, curve = findings->has_turn;

    if (!findings->bends || !way || !(pieces || curve))
        return 0;
    if (pieces && curve) {
        pieces = findings->broken.aicc <= findings->trend.aicc + ABOUT_AS_GOOD;
        curve = findings->trend.aicc <= findings->broken.aicc + ABOUT_AS_GOOD;
    }
    *at = pieces && !(curve && words_smooth(findings)) ? findings->broken.at : findings->turn_at;
    *where = pieces ? findings->broken.at_interval : findings->turn_interval;
    if (pieces && curve) {
        where->low = fmin(where->low, findings->turn_interval.low);
        where->high = fmax(where->high, findings->turn_interval.high);
    }
    return way;
}

/* --- the levels --- */

static void level_table(const struct findings *findings, struct document *out)
{
    const char *measure = measure_name(findings->options->measure);
    int decimals = decimals_shown(findings->options->measure);
    char titles[256], words[2 * WORDS_SIZE], interval[96];

    if (!findings->level_count)
        return;
    snprintf(titles, sizeof titles, "level|#cups|#mean %s|%.0f %% interval|#spread|#out of plan", unit_of(measure),
             100 * findings->confidence);
    document_add(out, BLOCK_HEADING, "%s by level", call_of(measure));
    document_table(out, titles);
    for (int i = 0; i < findings->level_count; i++) {
        const struct level_finding *level = &findings->level[i];
        char spread[32] = "";

        findings_level_words(findings, i, words);
        words_interval(level->interval, decimals, "", interval);
        if (level->level_of.n > 1)
            snprintf(spread, sizeof spread, "%.*f", decimals, level->level_of.spread);
        document_row(out, "%s" CELL "%zu" CELL "%.*f" CELL "%s" CELL "%s" CELL "%d", words, level->level_of.n, decimals,
                     level->level_of.mean, interval, spread, level->left_out);
    }
}

void words_held(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const json_t *recipe = findings->point_count ? findings->point[0].cup->recipe : NULL;
    const char *name;
    json_t *value;
    size_t length = 0;

    out[0] = '\0';
    json_object_foreach((json_t *)recipe, name, value)
    {
        char text[WORDS_SIZE] = "";
        bool same = true;

        for (int f = 0; f < findings->factor_count; f++)
            same = same && strcmp(findings->factor[f].name, name) != 0;
        for (size_t i = 1; i < findings->point_count && same; i++)
            same = json_equal(json_object_get(findings->point[i].cup->recipe, name), value);
        if (json_is_string(value))
            snprintf(text, sizeof text, "%s", json_string_value(value));
        else if (json_is_number(value))
            snprintf(text, sizeof text, "%.10g", json_number_value(value));
        if (!same || !text[0] || length + 2 * WORDS_SIZE >= SENTENCE_SIZE)
            continue;
        length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "%s%.60s %s%s%s", length ? ", " : "",
                                   call_of(name), text, *unit_of(name) ? " " : "", unit_of(name));
    }
}

void words_experiment(const struct findings *findings, struct document *out, bool charts)
{
    struct chart *residuals;
    bool titled;
    char sentence[SENTENCE_SIZE];

    words_headline(findings, sentence);
    document_add(out, BLOCK_HEADLINE, "%s", sentence);
    titled = findings->title[0] && strcmp(findings->title, findings->experiment) != 0;
    document_add(out, BLOCK_TEXT, "%s%s%s: %zu cup%s.", titled ? findings->title : findings->experiment,
                 titled ? ", experiment " : "", titled ? findings->experiment : "", findings->point_count,
                 findings->point_count == 1 ? "" : "s");
    if (charts && findings->point_count)
        document_chart(out, words_chart(findings));
    if (charts && !words_draws_all(findings))
        document_add(out, BLOCK_TEXT, "The curve is that of all cups; a share of them is drawn.");
    level_table(findings, out);
    if (findings->design == DESIGN_TIME)
        words_curves(findings, out);
    if (findings->design == DESIGN_NUMBERS)
        words_trend(findings, out);
    residuals = charts && findings->point_count && words_draws_all(findings) ? words_residuals(findings) : NULL;
    if (residuals) {
        document_chart(out, residuals);
        document_add(
            out, BLOCK_TEXT,
            "What is left of each cup when its curve or line is taken off, and the band of one spread: a pattern "
            "would be a shape that was missed.");
    }
    if (findings->level_count > 1)
        words_comparison(findings, out);
    words_surface(findings, out, charts);
    words_beside(findings, out);
    words_ratio(findings, out);
    words_press(findings, out);
    document_add(out, BLOCK_HEADING, "Before believing it");
    for (int i = 0; i < findings->caution_count; i++)
        document_add(out, BLOCK_CAUTION, "%s", findings->caution[i]);
    words_held(findings, sentence);
    document_add(out, BLOCK_TEXT, "Held: %s.", sentence[0] ? sentence : "nothing that the store knows of");
}
