/* The picture of the bench for those who come late: the message state/BENCH and its parts. */
#ifndef POISE_STATE_H
#define POISE_STATE_H

#include "bench.h"
#include "stations/plan.h"
#include "stations/station.h"
#include "poise/text.h"

struct state_source {
    const struct config *config;
    const struct stations *stations;
    const struct bench_hands *hands;
    const struct message_common *common;
    const char *identity; /* empty: not known */
    struct planner *planner;
};

/* The whole object. */
void state_write(const struct state_source *source, struct text *out);

/* The array of vessels alone. */
void state_write_vessels(const struct vessels *vessels, struct text *out);

/* The array of instruments alone. */
void state_write_instruments(const struct state_source *source, struct text *out);

#endif
