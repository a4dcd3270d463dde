/* What the parts of the model share. */
#ifndef TIMER_MODEL_PARTS_H
#define TIMER_MODEL_PARTS_H

#include "model.h"

/* NULL: there is none of that name. */
struct timer_station *model_station(struct timer_model *model, const char *name);

/* Its readings, newest first; false behind the oldest. */
bool station_recent(const struct timer_station *station, int back, struct timer_point *out);

/* A reading of the scale came: is it steady?  And it fell from `before_g` to zero within one indication. */
void station_rests(struct timer_station *station);
void station_zeroed(struct timer_station *station, double before_g);
void station_forgets_rest(struct timer_station *station);
bool is_zero_g(double shown_g);

/* What the bench knows with a reading; NULL: nothing. */
void station_hears(struct timer_station *station, const struct message_reading *reading);

/* What stands on the scale, tares added back; NAN: not known. */
double station_load_g(const struct timer_station *station);

/* Takes over all that a state says; whatever is missing or of the wrong kind counts as not known. */
void model_state(struct timer_model *model, json_t *state);

#endif
