/* What is seen of a cup when its brew is over; and whether it was pressed dry. */
#ifndef POISE_TRACKER_LATE_H
#define POISE_TRACKER_LATE_H

#include "parts.h"

/* The brew is over: how its cup was weighed is remembered; or it was none. */
void late_remember(struct tracker *tracker);
void late_forget(struct tracker *tracker);

/* A thing stands on one of the scales; `apart`: on the cup's.  Or: look whether one does on the brew's. */
void late_see(struct tracker *tracker, double mass_g, bool apart, double resolution_g, struct tracker_events *events);
void late_look(struct tracker *tracker, struct tracker_events *events);

/* Sees whether the flow died before the hand let go. */
void dry_watch(struct tracker *tracker);

/* Fills in whether it was pressed dry, as far as the measures and the flow show; what the operator said stands. */
void dry_judge(const struct tracker *tracker, struct measures *measures);

#endif
