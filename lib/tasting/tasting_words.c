/* A verdict in words, and what a tasting could show at all; see tasting_verdict.h. */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "poise/tasting_verdict.h"

/* Beyond so many sets nobody tastes. */
enum { MOST_SETS = 500 };

static void add(char *out, size_t size, const char *format, ...) __attribute__((format(printf, 3, 4)));

static void add(char *out, size_t size, const char *format, ...)
{
    size_t length = strlen(out);
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(out + length, size - length, format, arguments);
    va_end(arguments);
}

/* "one time in 27", "one time in 531,441". */
static void add_luck(char *out, size_t size, double p)
{
    double times = 1 / p;

    if (p > 0.5)
        add(out, size, "more often than not");
    else if (times < 1000)
        add(out, size, "one time in %.0f", times);
    else if (times < 1e6)
        add(out, size, "one time in %d,%03d", (int)round(times) / 1000, (int)round(times) % 1000);
    else
        add(out, size, "less than one time in a million");
}

static bool is_pair(enum tasting_method method)
{
    return method == TASTING_DIRECTIONAL || method == TASTING_PREFERENCE;
}

/* Of whom it speaks. */
static void add_who(const struct tasting_verdict *verdict, char *out, size_t size)
{
    if (verdict->one_taster)
        add(out, size, "%s", verdict->whose);
    else if (verdict->over_people)
        add(out, size, "people like these %zu", verdict->tasters);
    else
        add(out, size, "these %zu tasters", verdict->tasters);
}

static void add_dprime(const struct tasting_verdict *verdict, char *out, size_t size)
{
    if (isnan(verdict->dprime_95.low))
        return;
    if (isinf(verdict->dprime) && verdict->dprime < 0)
        add(out, size, "; d' %.1f or less", verdict->dprime_95.high);
    else if (isinf(verdict->dprime))
        add(out, size, "; d' %.1f or more", verdict->dprime_95.low);
    else if (isinf(verdict->dprime_95.low))
        add(out, size, "; d' %.1f (95 %%: %.1f or less)", verdict->dprime, verdict->dprime_95.high);
    else if (isinf(verdict->dprime_95.high))
        add(out, size, "; d' %.1f (95 %%: %.1f or more)", verdict->dprime, verdict->dprime_95.low);
    else
        add(out, size, "; d' %.1f (95 %%: %.1f to %.1f)", verdict->dprime, verdict->dprime_95.low,
            verdict->dprime_95.high);
}

static void state_share(const struct tasting_verdict *verdict, char *out, size_t size)
{
    add(out, size, " Estimated share who can, of %s", verdict->over_people ? "" : "the tastings of ");
    add_who(verdict, out, size);
    add(out, size, ": %.0f %% (95 %%: %.0f to %.0f %%)", 100 * verdict->share, 100 * verdict->share_95.low,
        100 * verdict->share_95.high);
    add_dprime(verdict, out, size);
    add(out, size, ".");
}

static void state_right(const struct tasting_verdict *verdict, char *out, size_t size)
{
    add(out, size, "%u of %u right; by luck alone so many or more come ", verdict->hits, verdict->answered);
    add_luck(out, size, verdict->p);
    add(out, size, " (p %.2g): ", verdict->p);
    if (verdict->finding == TASTING_DIFFERENT) {
        add_who(verdict, out, size);
        add(out, size, " can distinguish the cups.");
    } else if (verdict->finding == TASTING_SAME) {
        add(out, size, "the same to ");
        add_who(verdict, out, size);
        add(out, size,
            ", as far as this goes: if %.0f %% could distinguish the cups, so few right answers would be "
            "rare.",
            100 * verdict->limit);
    } else {
        add(out, size, "no difference shown, nor that they are the same.");
    }
    state_share(verdict, out, size);
}

static const char *attribute_of(const struct tasting_session *session)
{
    return *session->attribute ? session->attribute : "stronger";
}

static void state_pair(const struct tasting_session *session, const struct tasting_verdict *verdict, char *out,
                       size_t size)
{
    int one = verdict->favoured < 0 ? 0 : verdict->favoured;
    unsigned hits = one == 1 ? verdict->hits : verdict->answered - verdict->hits;
    bool preference = verdict->method == TASTING_PREFERENCE;

    add(out, size, "%s was %s%s in %u of %u; ", verdict->sample[one].label, preference ? "preferred" : "called ",
        preference ? "" : attribute_of(session), hits, verdict->answered);
    if (preference && !verdict->one_taster)
        add(out, size, "if people leaned either way by chance, the tasters would agree so far ");
    else
        add(out, size, "by chance the split is so uneven ");
    add_luck(out, size, verdict->p);
    add(out, size, " (p %.2g): ", verdict->p);
    if (verdict->finding == TASTING_DIFFERENT && preference) {
        add_who(verdict, out, size);
        add(out, size, " prefer%s it.", verdict->one_taster ? "s" : "");
    } else if (verdict->finding == TASTING_DIFFERENT) {
        add(out, size, "it is %s to ", attribute_of(session));
        add_who(verdict, out, size);
        add(out, size, ".");
    } else if (verdict->finding == TASTING_SAME) {
        add(out, size, "evenly split, to within %.0f %%.", 100 * verdict->limit / 2);
    } else {
        add(out, size, "no %s shown, nor that there is none.", preference ? "preference" : "difference");
    }
    add(out, size, " Share that %s %s: %.0f %% (95 %%: %.0f to %.0f %%)", preference ? "preferred" : "chose",
        verdict->sample[one].label, 100 * verdict->proportion, 100 * verdict->proportion_95.low,
        100 * verdict->proportion_95.high);
    add_dprime(verdict, out, size);
    add(out, size, ".");
}

static void state_ranking(const struct tasting_verdict *verdict, char *out, size_t size)
{
    add(out, size, "%u ranking%s by ", verdict->answered, verdict->answered == 1 ? "" : "s");
    add_who(verdict, out, size);
    add(out, size, "; by luck alone they agree so far ");
    add_luck(out, size, verdict->p);
    if (verdict->finding == TASTING_DIFFERENT)
        add(out, size, " (Friedman, p %.2g): the cups do not rank alike; %s comes first on average.", verdict->p,
            verdict->sample[verdict->favoured].label);
    else
        add(out, size, " (Friedman, p %.2g): no difference in rank shown, nor that they are the same.", verdict->p);
    if (isnan(verdict->proportion))
        return;
    add(out, size, " %s came before %s in %.0f %% (95 %%: %.0f to %.0f %%)", verdict->sample[0].label,
        verdict->sample[verdict->sample_count - 1].label, 100 * verdict->proportion, 100 * verdict->proportion_95.low,
        100 * verdict->proportion_95.high);
    add_dprime(verdict, out, size);
    add(out, size, ".");
}

static void state_degree(const struct tasting_verdict *verdict, char *out, size_t size)
{
    add(out, size,
        "%s was rated %.1f points further from the control than the control itself (95 %%: %.1f to %.1f); "
        "by luck alone so far ",
        verdict->sample[1].label, verdict->proportion, verdict->proportion_95.low, verdict->proportion_95.high);
    add_luck(out, size, verdict->p);
    add(out, size, " (p %.2g): ", verdict->p);
    if (verdict->finding == TASTING_DIFFERENT) {
        add(out, size, "it differs to ");
        add_who(verdict, out, size);
    } else {
        add(out, size, "no difference shown, nor that they are the same");
    }
    add_dprime(verdict, out, size);
    add(out, size, ".");
}

static void state_caution(const struct tasting_verdict *verdict, char *out, size_t size)
{
    if (verdict->one_taster)
        add(out, size, "One taster: this is about %s, not about people. ", verdict->whose);
    if (verdict->p_alike < 0.05)
        add(out, size, "The tasters differ among themselves (p %.2g): some can, some cannot. ", verdict->p_alike);
    if (verdict->by_eye)
        add(out, size, "Not blind: the cups could be distinguished by eye. ");
    if (verdict->alone)
        add(out, size, "Alone: nobody but the taster answers for its blindness. ");
    if (verdict->served_by_taster)
        add(out, size, "Served by someone who also tasted: %u answer%s given after seeing the map %s not counted. ",
            verdict->left_out, verdict->left_out == 1 ? "" : "s", verdict->left_out == 1 ? "is" : "are");
    if (verdict->uneven_temperature)
        add(out, size, "The samples were not served equally warm: temperature may be what was tasted. ");
    if (verdict->looked)
        add(out, size, "Looked at before its end: paid for, so p must be %.2g or less here. ", verdict->level);
    else if (verdict->asked > 1)
        add(out, size, "Asked %d times: each is held against %.2g. ", verdict->asked, verdict->level);
    if (verdict->not_compared)
        add(out, size, "The hash noted at the beginning was not compared at the reveal. ");
    if (*out)
        out[strlen(out) - 1] = '\0';
}

void tasting_state_verdict(const struct tasting_session *session, struct tasting_verdict *out)
{
    char *sentence = out->sentence;

    *sentence = *out->caution = '\0';
    if (out->unjudged)
        add(sentence, sizeof out->sentence, "Not judged: %s (%u of %u planned sets count).", out->unjudged,
            out->answered, out->planned);
    else if (tasting_method_has_right(out->method))
        state_right(out, sentence, sizeof out->sentence);
    else if (is_pair(out->method))
        state_pair(session, out, sentence, sizeof out->sentence);
    else if (out->method == TASTING_RANKING)
        state_ranking(out, sentence, sizeof out->sentence);
    else
        state_degree(out, sentence, sizeof out->sentence);
    state_caution(out, out->caution, sizeof out->caution);
}

/* ---- beforehand ---- */

/* d' at which the favoured of a pair is chosen as often as the share means: so one share says how large a difference
 * is meant for every method. */
static double dprime_of(double share)
{
    return tasting_dprime(TASTING_DIRECTIONAL, 0.5 + share / 2);
}

static double power_of(enum tasting_method method, int samples, unsigned n, double alpha, double share)
{
    if (method == TASTING_RANKING)
        return ranking_power(n, (unsigned)samples, alpha, dprime_of(share));
    if (method == TASTING_DEGREE)
        return rating_power(n, alpha, dprime_of(share));
    return tasting_power_floor(method, n, alpha, share);
}

unsigned tasting_sets_needed(enum tasting_method method, int samples, double alpha, double power, double share)
{
    unsigned low = 1, high = MOST_SETS, stays;

    if (method != TASTING_RANKING && method != TASTING_DEGREE) {
        tasting_needed(method, alpha, power, share, MOST_SETS, NULL, &stays);
        return stays;
    }
    if (power_of(method, samples, high, alpha, share) < power)
        return 0;
    while (low < high) {
        unsigned middle = (low + high) / 2;

        if (power_of(method, samples, middle, alpha, share) >= power)
            high = middle;
        else
            low = middle + 1;
    }
    return low;
}

static void outlook_counts(const struct tasting_session *session, char *out)
{
    unsigned planned = session->planned, critical = tasting_critical(session->method, planned, session->alpha);
    int alike = tasting_most_alike(session->method, planned, session->limit, session->beta);
    bool pair = is_pair(session->method);

    if (critical == 0) {
        add(out, TASTING_SENTENCE, "%u set%s cannot show a difference: even all %s comes by luck ", planned,
            planned == 1 ? "" : "s", pair ? "alike" : "right");
        add_luck(out, TASTING_SENTENCE, tasting_p(session->method, planned, planned));
        add(out, TASTING_SENTENCE, ". ");
        return;
    }
    add(out, TASTING_SENTENCE, "%u of %u must %s to show a difference (by luck: p %.2g). ", critical, planned,
        pair ? "choose the same sample" : "be right", tasting_p(session->method, critical, planned));
    if (!pair && alike >= 0)
        add(out, TASTING_SENTENCE, "%d right or fewer would show that fewer than %.0f %% can distinguish them. ", alike,
            100 * session->limit);
    else if (!pair)
        add(out, TASTING_SENTENCE, "So few sets cannot show that the cups are the same. ");
    if (session->method == TASTING_PREFERENCE && session->taster_count > 1 && session->taster_count < 6)
        add(out, TASTING_SENTENCE,
            "With fewer than 6 tasters a preference of people cannot be shown: each is one vote. ");
}

char *tasting_outlook(const struct tasting_session *session, char out[TASTING_SENTENCE])
{
    unsigned needed =
        tasting_sets_needed(session->method, session->sample_count, session->alpha, session->power, session->share);
    double power = power_of(session->method, session->sample_count, session->planned, session->alpha, session->share);

    *out = '\0';
    if (session->method != TASTING_RANKING && session->method != TASTING_DEGREE)
        outlook_counts(session, out);
    add(out, TASTING_SENTENCE,
        "A difference that %.0f %% of the tastings catch is found in at least %.0f of 100 such "
        "tastings. ",
        100 * session->share, floor(100 * power));
    if (needed == 0)
        add(out, TASTING_SENTENCE, "More than %d sets are needed for %.0f of 100.", MOST_SETS, 100 * session->power);
    else if (needed > session->planned)
        add(out, TASTING_SENTENCE, "%u sets are needed for %.0f of 100: %u more than planned.", needed,
            100 * session->power, needed - session->planned);
    else
        add(out, TASTING_SENTENCE, "%u sets are enough for %.0f of 100, and so is any number above.", needed,
            100 * session->power);
    return out;
}
