/* What is seen of a cup when its brew is over: the full one on the other scale too, or the empty one, which nobody had
 * seen before.  The measures of the last brew are corrected by new events; a brew under way is not looked at. */
#include <stdio.h>

#include "poise/uncertainty.h"
#include "late.h"
#include "parts.h"
#include "trade.h"
#include "weighed.h"

static const int64_t SOON_US = 15000000;   /* the full cup goes from one scale to the other */
static const int64_t DRUNK_US = 900000000; /* and is tasted and emptied */
static const double DROPS_G = 1;           /* spilt, or gone as steam */
static const double SAME_CUP_G = 6;        /* two scales that differ by more do not weigh the same thing */
static const double FINER_SHARE = 0.7;     /* so much less uncertain is worth reporting */
static const double LEAST_COFFEE_G = 60;
/* A cup that fits what was guessed within so many of its uncertainties is the one that was full.  Hot coffee is hardly
 * drunk within a minute: sooner it may be shared out, or it is the next brew's cup (common practice, no source). */
static const double FITS_U = 2, FITS_SOON_U = 1;
static const int64_t EMPTIED_US = 60000000;
/* What stays in an emptied cup, and that it may be another of the same make (common practice, no source). */
static const double EMPTIED_U_G = 3;

void late_forget(struct tracker *tracker)
{
    tracker->late.full_g = NAN;
}

void late_remember(struct tracker *tracker)
{
    const struct hypothesis *story = &tracker->story.best;

    tracker->late = (struct late){
        .full_g = story->out_us ? story->full_g : NAN,
        .cup_g = story->cup_known ? story->cup_g : NAN,
        .ended_us = tracker->now_us,
        .apart = story->cup_apart,
    };
    if (!isnan(tracker->entered.value[MEASURE_BEVERAGE_G]))
        late_forget(tracker); /* the operator knows */
}

static void correct(struct tracker *tracker, double beverage_g, double u_g, struct tracker_events *events)
{
    struct measures now = tracker->last;

    now.value[MEASURE_BEVERAGE_G] = beverage_g;
    now.standard_uncertainty[MEASURE_BEVERAGE_G] = u_g;
    tracker_derive(&now, &tracker->last_entered);
    dry_judge(tracker, &now);
    tracker_report_measures(tracker, events, &now, &tracker->last, tracker->last_brew, TRACKER_EVENTS);
}

static void warn(struct tracker *tracker, double here_g, double u_g, struct tracker_events *events)
{
    struct late *late = &tracker->late;
    struct tracker_event *event;

    if (late->warned || !(event = tracker_report(tracker, events, TRACKER_WARNING, tracker->now_us)))
        return;
    late->warned = true;
    event->brew = tracker->last_brew;
    snprintf(event->word, sizeof event->word, "scales-disagree");
    snprintf(event->detail, sizeof event->detail,
             "The full cup weighs %.1f g on the cup's scale and %.1f g on the brewer's: more than %.1f g apart, check "
             "both with one mass.",
             here_g, late->full_g, u_g);
}

/* It has just been taken from the scale that weighed it, so what is put on the other now is that cup. */
static bool just_left(const struct tracker *tracker)
{
    const struct second *second = &tracker->second;

    if (tracker->late.apart)
        return !second->stands && tracker->now_us - second->left_us < SOON_US;
    return weighing_load_g(&tracker->weighing) - tracker->zero_g < LEAST_COFFEE_G
           && tracker->now_us - tracker->late.ended_us < SOON_US;
}

void late_see(struct tracker *tracker, double mass_g, bool apart, double resolution_g, struct tracker_events *events)
{
    struct late *late = &tracker->late;
    double u_before_g = tracker->last.standard_uncertainty[MEASURE_BEVERAGE_G];
    double u_g = sqrt(2) * uncertainty_of_resolution(resolution_g), apart_g = mass_g - late->full_g, most_g;
    int64_t since_us = tracker->now_us - late->ended_us;

    if (tracker->running || isnan(late->full_g) || !(u_before_g > 0)) /* or the operator has said it */
        return;
    most_g = 3 * hypot(u_g, isnan(late->cup_g) ? u_g : u_before_g) + DROPS_G;
    if (apart != late->apart && just_left(tracker) && fabs(apart_g) < SAME_CUP_G) {
        /* lighter it may be: a sample was taken; and the brewer's scale gets the next brew's things */
        if (apart && apart_g > most_g)
            warn(tracker, mass_g, most_g, events);
        else if (!isnan(late->cup_g) && fabs(apart_g) < most_g && u_g < FINER_SHARE * u_before_g)
            correct(tracker, mass_g - late->cup_g, u_g, events);
    } else if (isnan(late->cup_g) && since_us < DRUNK_US && late->full_g - mass_g > LEAST_COFFEE_G
               && fabs(late->full_g - mass_g - tracker->last.value[MEASURE_BEVERAGE_G])
                      < (since_us < EMPTIED_US ? FITS_SOON_U : FITS_U) * u_before_g) {
        correct(tracker, late->full_g - mass_g, EMPTIED_U_G, events);
        late->cup_g = mass_g;
    }
}

void late_look(struct tracker *tracker, struct tracker_events *events)
{
    double mass_g;

    if (!isnan(tracker->late.full_g) && weighed_put_down(tracker, &mass_g))
        late_see(tracker, mass_g, false, tracker->weighing.resolution_g, events);
}
