/* What vessels weighed, for whoever keeps them: reported as it is seen, and not used here. */
#ifndef POISE_TRACKER_WEIGHED_H
#define POISE_TRACKER_WEIGHED_H

#include "parts.h"

/* A brew is over, or none was yet: nothing of it is reported. */
void weighed_forget(struct tracker *tracker);

/* What is new of the running brew's vessels, once its full cup stands there. */
void weighed_report(struct tracker *tracker, struct tracker_events *events);

/* No brew is running and the last change put one thing down on the empty scale: its mass. */
bool weighed_put_down(const struct tracker *tracker, double *mass_g);

/* Reports it; or what was set down on the cup's own scale (`apart`). */
void weighed_look(struct tracker *tracker, struct tracker_events *events);
void weighed_alone(struct tracker *tracker, double mass_g, bool apart, struct tracker_events *events);

#endif
