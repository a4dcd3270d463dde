/* A scale that speaks only while it is at rest: whether this one does, and what its silences say of the hands. */
#ifndef POISE_TRACKER_QUIET_H
#define POISE_TRACKER_QUIET_H

#include <stdbool.h>

struct quiet {
    unsigned char moved_silent, moved_spoken; /* how often a load moved in a silence, and was seen on its way */
    float tare_s;                             /* the shortest silence of a tare; 0: none yet */
    float moved_s, moved_nats;                /* the shortest of a movement, and ln of its divisions; 0: none yet */
};

/* Whether the scale is silent while its load moves. */
bool quiet_is(const struct quiet *quiet);

/* Whether so long between two readings is a silence, not a lost line. */
bool quiet_is_silence(double interval_s, double period_s);

/* The load moved by so much from one reading to the next. */
void quiet_learn(struct quiet *quiet, double moved_g, double interval_s, double period_s, double division_g);

/* Whether such a silence is too short for hands that move a load: a tare's. */
bool quiet_could_be_tare(const struct quiet *quiet, double interval_s);

/* A tare took so long. */
void quiet_tared(struct quiet *quiet, double interval_s);

/* After hands had done, whose last was so much, it is silent for so long. */
double quiet_settling_s(const struct quiet *quiet, double last_g, double division_g);

#endif
