/* The front end of a scale: indications in, evenly kept samples of the absolute load out.  It keeps the load through
 * tares, drops damaged lines, and gathers the readings of fast instruments.  It knows scales, not coffee. */
#ifndef POISE_TRACKER_WEIGHING_H
#define POISE_TRACKER_WEIGHING_H

#include <stdbool.h>
#include <stdint.h>

#include "cadence.h"
#include "quiet.h"

enum { SAMPLES = 128 }; /* 6.4 s at 20 a second: a movement and the rests around it */

/* What a segment is.  BLIND: the scale was silent, nobody knows; the account has no choice there. */
enum kind { KIND_REST, KIND_FLOW, KIND_JUMP, KIND_BUSY, KINDS, KIND_BLIND = KINDS };

/* One moment of the absolute load.  Single precision: at a kilogram that is 0.00006 g. */
struct sample {
    int64_t at_us : 50;       /* seventeen years */
    int64_t levelled_dg : 12; /* how far off it was indicated, in 0.1 g, when it was taken for a damaged line */
    bool overload : 1;        /* in the same word: there are many */
    bool silent : 1;          /* the scale speaks only at rest, and was silent until now: its load moved */
    bool blind : 1;           /* any other scale was silent: nobody knows what happened */
    float load_g;             /* as indicated, tares added back */
    float clear_g;            /* the same without the instrument's filter */
    /* segments.c: the cheapest account of all up to here, whose last segment is of this kind and begins after the
     * sample so many before */
    float cost;
    unsigned char from, kind;
};

struct indication {
    double shown_g;
    int64_t at_us;
    bool overload;
};

struct weighing {
    struct cadence cadence;
    struct quiet quiet;
    struct indication shown[4]; /* the newest ones, newest last */
    int shown_count;
    bool after_gap;                         /* the newest; whether it was held up shows with the next */
    double resolution_g, resolution_seen_g; /* the newest may be of a damaged line */
    double offset_g;                        /* add to what the instrument shows for the absolute load */
    double period_s;                        /* between samples */
    double lag_s;                           /* of the scale's filter, at least */
    int64_t tare_ordered_us;                /* 0: none open */
    double gathered_g, gathered_s;          /* readings of a fast instrument on their way to a sample: sums */
    int64_t gathered_from_us;
    int gathered;
    bool gathered_overload, tared; /* tared: since the newest sample */
    bool after_silence;            /* of the next sample */
    int64_t heard_us;              /* newest indication, also of a damaged line */
    struct sample ring[SAMPLES];
    uint32_t end; /* samples ever taken */
};

void weighing_begin(struct weighing *weighing);

/* Takes one indication; true: there is a new sample. */
bool weighing_take(struct weighing *weighing, double shown_g, bool overload, double resolution_g, int64_t at_us);

/* Nothing is known until the next reading. */
void weighing_gap(struct weighing *weighing);

/* A tare was not known as one: the load was so much more, or less, since. */
void weighing_shift(struct weighing *weighing, double grams);

/* A sample by its number; only the newest SAMPLES are held. */
static inline struct sample *weighing_sample(const struct weighing *weighing, uint32_t index)
{
    return (struct sample *)&weighing->ring[index % SAMPLES];
}

/* Its load without the instrument's filter. */
static inline double weighing_clear_g(const struct weighing *weighing, uint32_t index)
{
    return (double)weighing_sample(weighing, index)->clear_g;
}

/* The number of the oldest sample that is held. */
static inline uint32_t weighing_oldest(const struct weighing *weighing)
{
    return weighing->end > SAMPLES ? weighing->end - SAMPLES : 0;
}

/* The load by the newest indication, a damaged line and a tare excepted; NAN before the first. */
double weighing_load_g(const struct weighing *weighing);

#endif
