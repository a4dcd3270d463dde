/* The load cut into segments, as is most likely: it rests, flows, jumps, or hands are busy with it.  It knows loads,
 * not coffee. */
#ifndef POISE_TRACKER_SEGMENTS_H
#define POISE_TRACKER_SEGMENTS_H

#include "drift.h"
#include "filter.h"
#include "shake.h"
#include "weighing.h"

enum {
    SEGMENTS = 44,      /* kept of one brew: some twenty movements */
    SEGMENTS_OPEN = 24, /* in the samples held */
    SEGMENTS_READ = SEGMENTS + SEGMENTS_OPEN
};

enum shaken { SHAKEN_UNKNOWN, SHAKEN_BY_HANDS, SHAKEN_BY_A_BLOW };

struct segment {
    int64_t begin_us, end_us;
    float first_g, last_g;       /* a rest's level at its begin and end; else the clear load there */
    float first_u_g, last_u_g;   /* of a rest; standard uncertainties */
    float low_g, high_g, peak_g; /* the last one as indicated */
    union {
        struct {                 /* of a movement */
            float sum_gs, sum_s; /* integral of the load, and over how long */
            float path_g;        /* how far it went, back and forth */
            float active_s;      /* how long it went at a tenth of its range in a sample, or more */
        };
        struct { /* of a rest: the slope that it shows at first, and at last; zeroed: none was looked for */
            struct drift_rate first_slope, last_slope;
        };
    };
    float begin_u_s, end_u_s;
    unsigned char kind, shaken;
    bool overload;
    bool unseen; /* in a silence: only what rested before and after it is known; a spoon ended end_u_s later, a press
                  * so much earlier */
};

struct segments {
    struct segment list[SEGMENTS]; /* what is settled, oldest first; while resting the last one goes on */
    int count;
    bool resting;
    uint32_t seen;        /* clear samples looked at */
    uint32_t anchor;      /* the cheapest account begins after this sample */
    bool begun;           /* there is an anchor */
    bool carried;         /* what is at the anchor began before it */
    struct segment carry; /* so far */
    double carry_cost;
    int64_t rested_us, left_us; /* begin of the last sure rest, and when it was left */
    int64_t still_us, back_us;  /* the same of the last moment that it was back where it rested; 0: it is not */
    struct drift drift;         /* of the rest */
    struct shake shake;         /* of what followed it; began_us 0: not known yet */
    double level_g, noise_g;    /* of the rest; noise of the last one */
    uint32_t rest_first;        /* its first sample */
    double moved_g;             /* how wide the movement before it was */
    int64_t rest_us;            /* when it was sure */
};

void segments_begin(struct segments *segments);

enum segments_news { SEGMENTS_SAME, SEGMENTS_MORE, SEGMENTS_NEW };

/* Looks at what has become clear.  MORE: a movement goes on; NEW: one began or the load has come to rest. */
enum segments_news segments_take(struct segments *segments, struct weighing *weighing, struct filter *filter);

/* All that is known: settled, and the likeliest account of what is not.  Returns how many of SEGMENTS_READ. */
int segments_read(const struct segments *segments, const struct weighing *weighing, const struct filter *filter,
                  struct segment *out);

/* A tare was not known as one: all loads are so much more. */
void segments_shift(struct segments *segments, double grams);

/* Forgets the first ones. */
void segments_forget(struct segments *segments, int count);

/* The load flows now, by so much a second. */
double segments_flow_g_per_s(const struct segments *segments, const struct weighing *weighing);

#endif
