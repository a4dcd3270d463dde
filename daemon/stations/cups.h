/* Which cup it was: what trackers weigh of vessels goes to the bench's table (vessels.h), and what that knows comes
 * back to brews whose cup was not seen empty, as a beverage with an honest uncertainty, or a question; also afterwards,
 * when the emptied cup is set down.
 *
 * No I/O and no clock: like the rest of the room. */
#ifndef POISE_CUPS_H
#define POISE_CUPS_H

#include "stations.h"

/* The cups that the configuration names. */
void cups_configure(struct stations *stations, const struct config *config);

/* A TRACKER_WEIGHED event; brew NULL: none was brewed there yet. */
void cups_weighed(struct stations *stations, int station, struct brew *brew, const struct tracker_event *event,
                  struct moment now);

/* The tracker has a beverage: it is replaced by what the table makes of it, where that knows better. */
void cups_beverage(struct stations *stations, struct brew *brew, double *beverage_g, double *u_g);

/* The tracker asks for the beverage.  True: there is no need.  Else `words` says what a person can do. */
bool cups_asked(struct stations *stations, struct brew *brew, const char *words, char out[DETAIL_SIZE]);

/* The brew is over: its vessels are learnt. */
void cups_over(struct stations *stations, int station, struct brew *brew, struct moment now);

/* What stands alone on the station's scale gets this name, and is learnt as that.  0, or -EINVAL with a sentence. */
int cups_name(struct stations *stations, int station, const char *name, struct moment now, struct why *why);

#endif
