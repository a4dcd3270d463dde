/* The cup's scale as the tracker remembers it.  Private to this room. */
#ifndef POISE_TRACKER_SECOND_H
#define POISE_TRACKER_SECOND_H

#include <stdbool.h>
#include <stdint.h>

enum { SECOND_MOMENTS = 32 }; /* 2.8 s at least: a press is known two seconds after it began */

struct second_moment {
    uint32_t at_ms; /* the lower half is enough: only differences count */
    float load_g;
};

/* Loads are absolute: what the scale showed, tares added back.  Only steps count, so it matters little where
 * its zero is. */
struct second {
    struct second_moment moment[SECOND_MOMENTS];
    unsigned char moment_end, moment_count, shown_count;
    bool settled;     /* else hands are at it */
    bool stands;      /* a cup, or whatever was put there last */
    bool on_top;      /* and something on it */
    bool torn;        /* it said nothing for a while since the cup came */
    bool unsure;      /* the last tare may have been a lift */
    float shown_g[4]; /* the last indications, newest last */
    float resolution_g;
    int64_t at_us;      /* of the newest; 0: none yet */
    float dt_s;         /* between the last two: the middle one of three rises as much, one reading later */
    float rate_g_per_s; /* at which something runs in */
    int64_t noted_us;   /* when a moment was last kept */
    int64_t still_us;   /* since when nothing ran in; 0: hands are at it */
    double offset_g;
    double last_g;      /* newest load */
    double level_g;     /* while settled; then the last it had */
    double still_g;     /* the level since still_us */
    double accounted_g; /* the level that the brew's scale has been reported of */
    double added_g;     /* how much the brew's scale was reported that ran into the cup */
    int64_t fast_us;    /* when it last gained faster than a brew runs through */
    double before_g;    /* the level that hands left */
    int64_t handled_us; /* when they came */
    /* what stands there, or stood there last */
    double bare_g, came_g;   /* the level before it came, and with it */
    int64_t put_us, came_us; /* put down, and settled */
    int64_t left_us;         /* when the last thing was taken; 0: none was */
    double left_g, ran_g;    /* the level then, and how much had run in since it came */
    double empty_g;          /* the cup that stood here last with nothing in it; NAN: none */
    /* of the running brew */
    int64_t drip_for_us; /* the press's begin for which drip_g is true; 0: none */
    double drip_g;
    int64_t died_for_us; /* the press's end for which `died` is true */
    bool died;           /* the flow into the cup, before the hand let go */
};

/* How the last brew's cup was weighed. */
struct late {
    double full_g, cup_g; /* full, NAN: there is nothing to correct; empty, NAN: not known */
    int64_t ended_us;
    bool apart; /* on the cup's scale */
    bool warned;
};

enum second_news {
    SECOND_NOTHING,
    SECOND_SETTLED, /* hands have done, and what stands there is the same */
    SECOND_PUT,
    SECOND_TAKEN
};

/* --- second.c --- */

void second_begin(struct second *second);

/* Takes one indication.  Up to may_gain_g may run in while hands are at it: a greater step is a thing. */
enum second_news second_take(struct second *second, double shown_g, double resolution_g, int64_t at_us,
                             double may_gain_g);

/* What has dripped in and is not in its level yet. */
double second_unseen_g(const struct second *second);

/* It fell silent, or shows no number: nothing is known until it speaks again. */
void second_gap(struct second *second);

/* The load at a time within the last 2.8 s, and whether that is remembered; before that: the oldest known. */
bool second_remembers(const struct second *second, int64_t at_us);
double second_load_at(const struct second *second, int64_t at_us);

/* --- cup.c --- */

struct tracker;
struct hypothesis;
struct measures;

/* The brew's scale shows so much: where it stands empty, what ran out of the brewer is no part of its load any more. */
void second_release(struct tracker *tracker, double shown_g);

/* The brew is over. */
void second_close(struct tracker *tracker);

/* What the cup's scale adds to the story: the cup weighed there. */
void second_weigh(const struct tracker *tracker, struct hypothesis *story);

/* The cup was on its scale from before the press on, and the press brought something into it. */
bool second_is_under(const struct second *second, const struct hypothesis *story);

/* The standard uncertainty of what something weighed there, or gained. */
double second_u_g(const struct second *second);

/* And to its measures, when the press's begin is known. */
void second_measure(struct tracker *tracker, struct measures *measures);

#endif
