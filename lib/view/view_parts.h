/* What the parts of the view share. */
#ifndef VIEW_PARTS_H
#define VIEW_PARTS_H

#include "poise/view.h"

/* NULL: there is none of that name. */
struct view_station *view_station(struct view *model, const char *name);

/* Nothing is known of what stands on its scale. */
void view_seen_clear(struct view_seen *seen);

/* Takes over all that a state holds; whatever is missing or of the wrong kind counts as not known. */
void view_state(struct view *model, json_t *state);

#endif
