/* What vessels weighed; see weighed.h. */
#include "weighed.h"

#include "poise/uncertainty.h"
#include "trade.h"

static const double EMPTY_SCALE_G = 3; /* nothing stands there, but for drops */
static const double WORTH_G = 0.05;    /* found otherwise by less, it is not worth another event */

/* A cup that was known no better than this was worked out, not seen. */
static const double SEEN_U_G = 2;

void weighed_forget(struct tracker *tracker)
{
    for (int i = 0; i <= WEIGHED_ALONE; i++)
        tracker->weighed_g[i] = NAN;
}

static void report(struct tracker *tracker, struct tracker_events *events, enum tracker_weighed weighed, double mass_g,
                   double u_g)
{
    double was_g = tracker->weighed_g[weighed];
    struct tracker_event *event;

    if ((isnan(mass_g) && isnan(was_g)) || fabs(mass_g - was_g) < WORTH_G
        || !(event = tracker_report(tracker, events, TRACKER_WEIGHED, tracker->now_us)))
        return;
    event->weighed = weighed;
    event->value = tracker->weighed_g[weighed] = mass_g;
    event->standard_uncertainty = u_g;
}

static double scale_u_g(const struct tracker *tracker)
{
    return sqrt(2) * uncertainty_of_resolution(tracker->weighing.resolution_g); /* its zero is rounded as well */
}

void weighed_report(struct tracker *tracker, struct tracker_events *events)
{
    const struct hypothesis *story = &tracker->story.best;
    double u_g = story->cup_apart ? second_u_g(&tracker->second) : scale_u_g(tracker);
    bool seen = story->cup_seen && story->cup_u_g < SEEN_U_G;

    if (story->phase != PHASE_WEIGHED)
        return;
    report(tracker, events, WEIGHED_CUP, seen ? story->cup_g : NAN, hypot(u_g, story->cup_u_g));
    report(tracker, events, WEIGHED_BARE, story->bare_g > LEAST_CUP_G ? story->bare_g : NAN, scale_u_g(tracker));
    report(tracker, events, WEIGHED_FULL, story->full_g, hypot(u_g, story->cup_apart ? 0 : story->weighed_u_g));
}

bool weighed_put_down(const struct tracker *tracker, double *mass_g)
{
    const struct segment *list = tracker->segments.list, *last = &list[tracker->segments.count - 1], *before = last - 1;

    if (tracker->running || tracker->segments.count < 2 || !tracker->segments.resting)
        return false;
    while (before > list && before->kind != KIND_REST)
        before--;
    if (before->kind != KIND_REST || !(fabs((double)before->last_g - tracker->zero_g) < EMPTY_SCALE_G))
        return false;
    *mass_g = (double)last->first_g - tracker->zero_g;
    return true;
}

void weighed_look(struct tracker *tracker, struct tracker_events *events)
{
    const struct segments *segments = &tracker->segments;
    double mass_g;

    if (segments->resting && fabs((double)segments->list[segments->count - 1].last_g - tracker->zero_g) < EMPTY_SCALE_G)
        tracker->weighed_g[WEIGHED_ALONE] = NAN; /* what comes now is weighed once more */
    if (weighed_put_down(tracker, &mass_g))
        weighed_alone(tracker, mass_g, false, events);
}

void weighed_alone(struct tracker *tracker, double mass_g, bool apart, struct tracker_events *events)
{
    if (tracker->running || !(mass_g > LEAST_CUP_G))
        return;
    if (apart)
        tracker->weighed_g[WEIGHED_ALONE] = NAN;
    report(tracker, events, WEIGHED_ALONE, mass_g, apart ? second_u_g(&tracker->second) : scale_u_g(tracker));
}
