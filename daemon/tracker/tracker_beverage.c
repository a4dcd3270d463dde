/* How much is in the cup that came: its weight without the empty one, or what should have come through where that was
 * never seen. */
#include "tracker_parts.h"

static const double HELD_G_PER_G = 2, USUAL_DOSE_G = 15; /* when nobody says (common practice, no source) */
/* Coffee holds so much less or more than usual, per gram; and the press may stop short of the end by so much. */
static const double HELD_LESS = 0.3, HELD_MORE = 0.4, UNPRESSED_SHARE = 0.12;
static const double CUP_DOUBT_G = 0.3; /* known cups that differ by less are as good as one */
static const double EMPTY_CUP_G = 1;   /* a known cup that is no farther from its mass is empty, but for a drop */
static const double GUESS_U_G = 8;     /* of a beverage that is guessed from what coffee holds back */

/* What should have come through, by what coffee holds back. */
double story_expected_beverage_g(const struct reader *reader)
{
    double dose_g = reader->out->measures.value[MEASURE_DOSE_G], held = reader->tracker->config.retained_g_per_g;

    if (isnan(dose_g))
        dose_g = reader->tracker->plan.target[MEASURE_DOSE_G];
    return reader->poured_g - (held > 0 ? held : HELD_G_PER_G) * (isnan(dose_g) ? USUAL_DOSE_G : dose_g);
}

bool story_is_likely_beverage(const struct reader *reader, double beverage_g)
{
    double expected_g = story_expected_beverage_g(reader), dose_g = reader->out->measures.value[MEASURE_DOSE_G];
    double off_g = beverage_g - expected_g;

    if (isnan(dose_g))
        dose_g = 1.5 * USUAL_DOSE_G;
    return off_g < HELD_LESS * dose_g + 4 && off_g > -HELD_MORE * dose_g - UNPRESSED_SHARE * expected_g - 4;
}

/* The empty cup: seen on its own, or the known one that fits best; NAN. */
double story_cup_of(const struct reader *reader, double full_g, double *doubt_g)
{
    const struct tracker_config *config = &reader->tracker->config;
    double expected_g = story_expected_beverage_g(reader), best_g = NAN, least_g = INFINITY, most_g = -INFINITY;
    double cup_there_g = reader->tracker->second.empty_g; /* then what stood here first was a stand, perhaps */

    if (doubt_g)
        *doubt_g = 0;
    if (!isnan(reader->cup_g) && (isnan(cup_there_g) || story_is_likely_beverage(reader, full_g - reader->cup_g)))
        return reader->cup_g;
    if (story_is_likely_beverage(reader, full_g - cup_there_g))
        return cup_there_g;
    for (int i = 0; i < config->cup_count; i++) {
        if (!story_is_likely_beverage(reader, full_g - config->cup_g[i]))
            continue;
        least_g = fmin(least_g, config->cup_g[i]);
        most_g = fmax(most_g, config->cup_g[i]);
        if (isnan(best_g) || fabs(full_g - config->cup_g[i] - expected_g) < fabs(full_g - best_g - expected_g))
            best_g = config->cup_g[i];
    }
    if (doubt_g && most_g > least_g) /* one of several: as if drawn evenly between them */
        *doubt_g = (most_g - least_g) / sqrt(3);
    return best_g;
}

bool story_is_empty_cup(const struct reader *reader, double load_g)
{
    const struct tracker_config *config = &reader->tracker->config;

    for (int i = 0; i < config->cup_count; i++)
        if (fabs(load_g - config->cup_g[i]) < fmax(EMPTY_CUP_G, reader->tracker->signal.resolution_g))
            return true;
    return false;
}

/* Coffee holds more than it does, should this known cup be the one that came: it was hardly pressed, or it is a cup
 * that nobody knows. */
static double known_cup_doubt_g(const struct reader *reader, double cup_g)
{
    double less_g = story_expected_beverage_g(reader) - (reader->weighed_g - cup_g);
    double dose_g = reader->out->measures.value[MEASURE_DOSE_G];

    if (cup_g == reader->cup_g || cup_g == reader->tracker->second.empty_g)
        return 0;
    return less_g > HELD_MORE * (isnan(dose_g) ? 1.5 * USUAL_DOSE_G : dose_g) + 4 ? less_g / sqrt(3) : 0;
}

void story_take_beverage(struct reader *reader)
{
    struct story *out = reader->out;
    double doubt_g, cup_g = story_cup_of(reader, reader->weighed_g, &doubt_g);

    out->full_g = reader->weighed_g;
    out->cup_known = !isnan(cup_g) && doubt_g < CUP_DOUBT_G;
    out->cup_u_g = isnan(cup_g) ? GUESS_U_G : fmax(doubt_g, known_cup_doubt_g(reader, cup_g));
    out->cup_g = cup_g;
    out->measures.value[MEASURE_BEVERAGE_G] =
        !isnan(cup_g) ? reader->weighed_g - cup_g : story_expected_beverage_g(reader);
}
