/* What the parts of the view share. */
#ifndef VIEW_PARTS_H
#define VIEW_PARTS_H

#include "poise/view.h"

/* NULL: there is none of that name. */
struct view_station *view_station(struct view *model, const char *name);

/* Its readings, newest first; false behind the oldest. */
bool station_recent(const struct view_station *station, int back, struct view_point *out);

/* A reading of the scale came: is it steady?  And it fell from `before_g` to zero within one indication. */
void station_rests(struct view_station *station);
void station_zeroed(struct view_station *station, double before_g);
void station_forgets_rest(struct view_station *station);
bool is_zero_g(double shown_g);

/* What the bench knows with a reading; NULL: nothing. */
void station_hears(struct view_station *station, const struct message_reading *reading);

/* What stands on the scale, tares added back; NAN: not known. */
double station_load_g(const struct view_station *station);

/* Takes over all that a state says; whatever is missing or of the wrong kind counts as not known. */
void view_state(struct view *model, json_t *state);

#endif
