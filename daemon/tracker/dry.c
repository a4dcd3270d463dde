/* Was it pressed until nothing more came through?  The scale under brewer and cup does not see the flow: what is known
 * is how much came through in the end and, where the cup stands on a scale of its own, when it stopped to gain. */
#include "late.h"
#include "parts.h"
#include "trade.h"

/* What coffee holds when pressed dry differs by so much from bean to bean and grind to grind, per gram (common
 * practice, no source).  How much a press that stops before the end leaves in the brewer is the bench's own: its
 * configuration. */
static const double HELD_G_PER_G = 2, HELD_U_G_PER_G = 0.2;

/* Nothing gained for so long under the hand's force: what is left is air.  Then it is dry but once in fifty times. */
static const int64_t DIED_US = 1000000;
static const double DIED_LOG_ODDS = 4;
static const int64_t SAME_PRESS_US = 1000000;

/* Odds of less than three to one are not worth reporting. */
static const double CHANCE_MOST = 0.25;

void dry_watch(struct tracker *tracker)
{
    struct second *second = &tracker->second;
    int64_t ended_us = tracker->story.best.press_ended_us;

    if (!ended_us || !second->still_us || llabs(second->died_for_us - ended_us) < SAME_PRESS_US)
        return;
    second->died_for_us = ended_us;
    second->died = second_is_under(second, &tracker->story.best) && second->still_us < ended_us - DIED_US;
}

static bool has_died(const struct tracker *tracker)
{
    return tracker->second.died
           && (!tracker->running
               || llabs(tracker->second.died_for_us - tracker->story.best.press_ended_us) < SAME_PRESS_US);
}

/* The operator said it: no number of ours is as sure. */
static bool is_reported(const struct measures *measures)
{
    double u = measures->standard_uncertainty[MEASURE_PRESSED_DRY];

    return !isnan(measures->value[MEASURE_PRESSED_DRY]) && !(u > 0);
}

/* How much more is in the brewer than coffee holds when pressed dry, and its uncertainty: from a normal distribution
 * about nothing when it is dry, about what a press that stops leaves when it is not, both as likely beforehand. */
void dry_judge(const struct tracker *tracker, struct measures *measures)
{
    const double *value = measures->value, *u = measures->standard_uncertainty;
    double held = tracker->config.retained_g_per_g > 0 ? tracker->config.retained_g_per_g : HELD_G_PER_G;
    double dose_g = value[MEASURE_DOSE_G], dry_g = value[MEASURE_WATER_G] - held * dose_g;
    double left_g = dry_g - value[MEASURE_BEVERAGE_G], stopped_g = tracker->config.last_drops_g;
    double u_g = hypot(hypot(u[MEASURE_WATER_G], u[MEASURE_BEVERAGE_G]),
                       hypot(held * u[MEASURE_DOSE_G], HELD_U_G_PER_G * dose_g));
    double log_odds, chance;

    if (is_reported(measures))
        return;
    log_odds = stopped_g * (stopped_g - 2 * left_g) / (2 * u_g * u_g);
    if (isnan(log_odds) || !(stopped_g > 0)) /* nobody said how much the end brings: the mass shows nothing */
        log_odds = 0;
    if (has_died(tracker))
        log_odds += DIED_LOG_ODDS;
    chance = 1 / (1 + exp(fabs(log_odds)));
    ledger_set(measures, MEASURE_PRESSED_DRY, chance > CHANCE_MOST ? NAN : log_odds > 0, sqrt(chance));
}
