/* What the cup's scale says of a brew: how much ran through before the press, and how much is in the cup.
 *
 * While the cup stands there under the brewer, what it gains is what the brew's scale loses.  So the brew's scale
 * is reported of each gram: its load stays as if the cup stood on it, and what runs through is neither a lift nor lost
 * from the water that was poured. */
#include <stdio.h>

#include "poise/uncertainty.h"
#include "late.h"
#include "ledger.h"
#include "parts.h"
#include "weighed.h"

static const double EMPTY_G = 25;       /* less on a scale: nothing stands there */
static const double SPOONFUL_G = 45;    /* more is a thing put down, unless the press brings it */
static const double PRESSED_G = 2000;   /* no press brings more */
static const double DRIP_LEAST_G = 0.5; /* less, and nothing after it: the cup is elsewhere */
static const double UNDER_LEAST_G = 10; /* a press brings at least so much to the cup under it */
/* What runs through by itself is slower; faster before the press is hot water that warms a cup. */
static const double RUNS_MOST_G_PER_S = 6;
static const double COARSE_G = 0.3;          /* a last digit that hides a drip */
static const int64_t WARMED_US = 2000000;    /* so long after it */
static const double CREEP_G = 0.05;          /* a scale left loaded for minutes (common practice, no source) */
static const int64_t LEFT_WITH_US = 2000000; /* taken so soon after the press began: at the press */
static const int64_t SAME_PRESS_US = 1000000;
static const int64_t BACK_US = 20000000;                 /* lifted with the brewer, the cup comes back within so long */
static const int64_t WEIGHED_US = 3000000;               /* nothing ran in for so long: weighed */
static const double HANDS_U_S = 0.2;                     /* how near a step on the cup's scale is to the hand's begin */
static const int64_t DRAINED_US = 15000000;              /* the same while the brewer still stands over it */
static const int64_t PRESS_BESIDE_US = 11000000;         /* taken away, pressed, brought: not done sooner */
static const double LEAST_CUP_G = 60, LEAST_SHARE = 0.7; /* of what should have come through */

double second_u_g(const struct second *second)
{
    return hypot(sqrt(2) * uncertainty_of_resolution((double)second->resolution_g), CREEP_G);
}

static double held_g(const struct weighing *weighing)
{
    return weighing->end ? (double)weighing_sample(weighing, weighing->end - 1)->load_g : NAN;
}

/* Reports the brew's scale what ran into the cup since it was reported last, dt_s ago. */
static void account_for(struct tracker *tracker, double dt_s)
{
    struct second *second = &tracker->second;
    struct weighing *weighing = &tracker->weighing;
    double now_g = second->level_g + (weighing->resolution_g < COARSE_G ? second_unseen_g(second) : 0);
    double ran_g = now_g - second->accounted_g;
    bool pressed = tracker->running && tracker->story.best.press_began_us;

    second->accounted_g = now_g;
    if (ran_g > RUNS_MOST_G_PER_S * dt_s)
        second->fast_us = second->at_us;
    if (!second->settled || !second->stands || second->on_top || !(held_g(weighing) - tracker->zero_g > EMPTY_G)
        || (!pressed && second->at_us - second->fast_us < WARMED_US))
        return;
    second->added_g += ran_g;
    weighing->offset_g += ran_g;
}

static void take_back(struct tracker *tracker)
{
    tracker->weighing.offset_g -= tracker->second.added_g;
    tracker->second.added_g = 0;
}

void second_release(struct tracker *tracker, double shown_g)
{
    const struct weighing *weighing = &tracker->weighing;

    if (tracker->second.added_g != 0
        && shown_g + weighing->offset_g - tracker->second.added_g - tracker->zero_g < EMPTY_G)
        take_back(tracker);
}

void second_close(struct tracker *tracker)
{
    take_back(tracker);
    late_remember(tracker);
    tracker->second.drip_for_us = 0;
}

/* What was taken just now had come full: after the press of this brew, or it is the last one's. */
static bool came_full(const struct tracker *tracker)
{
    const struct second *second = &tracker->second;

    if (tracker->running)
        return tracker->story.best.press_began_us && second->put_us > tracker->story.best.press_began_us;
    return fabs(second->came_g - second->bare_g - tracker->late.full_g) < UNDER_LEAST_G;
}

void tracker_second(struct tracker *tracker, const struct reading *reading, struct tracker_events *events)
{
    struct second *second = &tracker->second;
    const struct hypothesis *story = &tracker->story.best;
    enum second_news news;
    double dt_s;

    if (reading->mono_us > tracker->now_us)
        tracker->now_us = reading->mono_us;
    if (reading->quantity != QUANTITY_MASS || reading->status != READING_OK)
        return; /* a damaged line may look like overload; if it lasts, it is a gap */
    dt_s = (double)(reading->mono_us - second->at_us) / 1e6;
    news = second_take(second, decimal_to_double(reading->value), reading->resolution, reading->mono_us,
                       !tracker->running || !story->first_water_us ? 0
                       : story->press_began_us                     ? PRESSED_G
                                                                   : SPOONFUL_G);
    if (news == SECOND_TAKEN && !tracker->running)
        take_back(tracker);
    if (news == SECOND_TAKEN && !came_full(tracker))
        second->empty_g = second->came_g - second->bare_g;
    account_for(tracker, dt_s);
    if (news == SECOND_PUT)
        weighed_alone(tracker, second->came_g - second->bare_g, true, events);
    if (news == SECOND_PUT)
        late_see(tracker, second->came_g - second->bare_g, true, (double)second->resolution_g, events);
    if (tracker->running && (news != SECOND_NOTHING || (story->wait_us && tracker->now_us >= story->wait_us)))
        tracker_look(tracker, events);
}

void tracker_second_gap(struct tracker *tracker)
{
    second_gap(&tracker->second);
}

bool second_is_under(const struct second *second, const struct hypothesis *story)
{
    if (!story->press_began_us || !second->came_us || second->put_us > story->press_began_us || second->on_top
        || (!second->stands && second->left_us < story->press_began_us))
        return false;
    return (second->stands ? second->level_g - second->came_g : second->ran_g) > UNDER_LEAST_G;
}

/* What had run through when the press began.  Its begin may be found a little earlier or later than was thought, when
 * that moment is not remembered any more: then what was found first is as good. */
static void look_for_drip(struct second *second, const struct hypothesis *story)
{
    int64_t began_us = story->press_began_us;

    if (second->torn || !second->came_us)
        second->drip_g = NAN;
    else if (second->stands && second->came_us < began_us && second_remembers(second, began_us))
        second->drip_g = second_load_at(second, began_us) - second->came_g;
    else if ((!second->stands || second->came_us > began_us) && second->left_us > story->first_water_us
             && second->left_us < began_us + LEFT_WITH_US)
        second->drip_g = second->ran_g; /* taken to be pressed elsewhere */
    else if (!second->drip_for_us || llabs(second->drip_for_us - began_us) > SAME_PRESS_US)
        second->drip_g = NAN;
    second->drip_for_us = began_us;
}

void second_measure(struct tracker *tracker, struct measures *measures)
{
    struct second *second = &tracker->second;
    struct hypothesis *story = &tracker->story.best;
    double u_g = second_u_g(second);

    if (!story->press_began_us)
        return;
    if (second->drip_for_us != story->press_began_us)
        look_for_drip(second, story);
    if (second->drip_g >= DRIP_LEAST_G || (!isnan(second->drip_g) && second_is_under(second, story)))
        ledger_set(measures, MEASURE_DRIP_G, fmax(0, second->drip_g), u_g);
}

/* The cup alone is weighed there: since at_us, until wait_us. */
static void weighed_there(const struct tracker *tracker, struct hypothesis *story, int64_t at_us, int64_t wait_us)
{
    const struct second *second = &tracker->second;

    if (story->phase != PHASE_WEIGHED) {
        story_add(story, STAGE_STRENGTH, at_us, HANDS_U_S);
        story->out_us = at_us;
        story->left_weighing = false;
    }
    story->phase = PHASE_WEIGHED;
    story->weighed_g = (second->stands ? second->level_g : second->left_g) - second->bare_g;
    story->left_weighing |= !second->stands;
    story->wait_us = wait_us;
    story->cup_apart = true;
}

static int64_t later_us(int64_t a_us, int64_t b_us)
{
    return a_us > b_us ? a_us : b_us;
}

/* What the brew's scale took for the cup is none: the stand, perhaps.  The cup has been away since then. */
static void unweigh(struct hypothesis *story, int64_t away_us)
{
    if (story->phase == PHASE_WEIGHED && story->count && story->step[story->count - 1].stage == STAGE_STRENGTH)
        story->count--;
    story->phase = PHASE_AWAY;
    story->away_us = away_us;
    story->left_weighing = false;
    story->out_us = story->wait_us = 0;
}

/* The cup under the brewer: what the press brought is weighed when the cup is taken, or the brewer, or when nothing
 * has come for a while.  Taken with the brewer it may come back alone. */
static void weigh_under(const struct tracker *tracker, struct hypothesis *story)
{
    const struct second *second = &tracker->second;
    int64_t now_us = tracker->now_us, still_us = later_us(second->still_us, story->press_ended_us), back_us;

    story->cup_g = second->came_g - second->bare_g;
    if (!story->press_ended_us)
        return;
    if (!second->stands && story->phase == PHASE_WEIGHED && llabs(second->left_us - story->out_us) < LEFT_WITH_US)
        unweigh(story, second->left_us);
    back_us = second->left_us + (story->phase == PHASE_AWAY ? BACK_US : WEIGHED_US);
    if (second->stands && (story->phase == PHASE_WEIGHED || story->phase == PHASE_AWAY))
        weighed_there(tracker, story, story->away_us, later_us(still_us, story->out_us) + WEIGHED_US);
    else if (second->stands && second->settled && now_us >= still_us + DRAINED_US)
        weighed_there(tracker, story, still_us, still_us + DRAINED_US);
    else if (second->stands)
        story->wait_us = second->settled ? still_us + DRAINED_US : 0;
    else if (story->phase == PHASE_WEIGHED || now_us >= back_us)
        weighed_there(tracker, story, second->left_us, second->left_us);
    else
        story->wait_us = back_us;
}

/* It was under the brewer, was taken, and has come back. */
static bool has_come_back(const struct second *second, const struct hypothesis *story)
{
    return story->press_ended_us && second->stands && second->ran_g > UNDER_LEAST_G
           && second->left_us > story->press_began_us && second->put_us > second->left_us;
}

/* Whether what was put down there since may be the full cup. */
static bool is_full_cup(const struct tracker *tracker, const struct hypothesis *story, int64_t since_us)
{
    const struct second *second = &tracker->second;
    double full_g = second->level_g - second->bare_g, cup_g = ledger_cup_of(tracker, story, full_g, NULL);

    if (!isnan(cup_g))
        return ledger_is_likely_beverage(tracker, story, full_g - cup_g);
    return story->phase == PHASE_AWAY && !ledger_is_empty_cup(tracker, full_g)
           && (story->press_seen || second->put_us - since_us >= PRESS_BESIDE_US)
           && full_g > LEAST_CUP_G + LEAST_SHARE * ledger_expected_beverage_g(tracker, story);
}

/* The cup came to its scale after the press, or after it was lifted off with the brewer and pressed elsewhere. */
static void weigh_brought(const struct tracker *tracker, struct hypothesis *story)
{
    const struct second *second = &tracker->second;
    int64_t since_us = story->phase == PHASE_AWAY ? story->away_us
                       : story->press_seen        ? story->press_ended_us
                                                  : second->left_us;

    if (!second->stands || second->on_top || since_us < story->first_water_us || second->put_us < since_us
        || !is_full_cup(tracker, story, since_us))
        return;
    if (!story->press_began_us) {
        story_end_pour(story);
        story_add_lifted(story, since_us);
        story_add(story, STAGE_WEIGH, second->put_us, HANDS_U_S);
    }
    if (ledger_is_likely_beverage(tracker, story, second->level_g - second->bare_g - second->empty_g))
        story->cup_g = second->empty_g; /* weighed on one scale, empty and full */
    weighed_there(tracker, story, second->came_us, second->came_us + WEIGHED_US);
}

/* The cup stands on its scale, which is silent.  What the brew's scale shows after the press is then hardly the cup:
 * the stand, perhaps. */
static bool is_out_of_sight(const struct tracker *tracker, const struct hypothesis *story)
{
    const struct second *second = &tracker->second;

    return second->torn && second->stands && story->phase == PHASE_WEIGHED && story->press_seen
           && !ledger_is_likely_beverage(tracker, story,
                                         story->weighed_g - ledger_cup_of(tracker, story, story->weighed_g, NULL));
}

void second_weigh(const struct tracker *tracker, struct hypothesis *story)
{
    const struct second *second = &tracker->second;

    if (story->nothing || !story->first_water_us || !second->came_us)
        return;
    if (has_come_back(second, story))
        unweigh(story, second->left_us);
    if (second_is_under(second, story))
        weigh_under(tracker, story);
    else if (story->phase == PHASE_WATER || story->phase == PHASE_AWAY || story->phase == PHASE_PRESSED)
        weigh_brought(tracker, story);
    if (is_out_of_sight(tracker, story))
        unweigh(story, story->out_us);
}
