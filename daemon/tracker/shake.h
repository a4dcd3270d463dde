/* When a hand began to shake a load that had rested, and when it had done; and whether it was only a blow. */
#ifndef POISE_TRACKER_SHAKE_H
#define POISE_TRACKER_SHAKE_H

#include "filter.h"
#include "weighing.h"

struct shake {
    int64_t began_us;
    bool only_blow; /* no hand shook it: something knocked */
};

/* When hands began to shake the load that had rested from rested_us on and was left about left_us.  False: too little
 * was indicated. */
bool shake_began(const struct weighing *weighing, const struct filter *filter, int64_t rested_us, int64_t left_us,
                 struct shake *shake);

/* When hands had done that shook from began_us on a load that rests again now; 0: too little was indicated. */
int64_t shake_ended_us(const struct weighing *weighing, const struct filter *filter, int64_t began_us);

#endif
