/* The hypotheses that compete: each act extends each of them by what it may have been. */
#ifndef POISE_TRACKER_BEAM_H
#define POISE_TRACKER_BEAM_H

#include "hypothesis.h"

enum { BEAM = 8, BRANCHES = 5 * BEAM };

struct tracker;

struct beam {
    const struct tracker *tracker;
    struct hypothesis *list;
    int count;
    double best;
};

/* A copy of a hypothesis that has so much more against it; NULL: it is too unlikely to be kept. */
struct hypothesis *beam_branch(struct beam *beam, const struct hypothesis *from, double against);

/* Keeps the likeliest BEAM, each story once; returns how many. */
int beam_prune(struct hypothesis *list, int count, struct hypothesis *kept);

/* Sorts by what is against them. */
int beam_by_against(const void *a, const void *b);

/* --- what an act may have been, one file for each --- */

void phase_setup(struct beam *beam, const struct hypothesis *from, const struct act *act);
void phase_water(struct beam *beam, const struct hypothesis *from, const struct act *act);
void phase_pressed(struct beam *beam, const struct hypothesis *from, const struct act *act);
void phase_away(struct beam *beam, const struct hypothesis *from, const struct act *act);
void phase_weighed(struct beam *beam, const struct hypothesis *from, const struct act *act);

/* What may have happened while the scale was silent. */
void phase_blind(struct beam *beam, const struct hypothesis *from, const struct act *act);

/* All is lifted off, or so it looks. */
void phase_lift_all(struct beam *beam, const struct hypothesis *from, const struct act *act);

#endif
