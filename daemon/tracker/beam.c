/* Hypotheses are branched, and the unlikely ones forgotten. */
#include "beam.h"

#include <math.h>
#include <stdlib.h>

/* A hypothesis so much behind the best is forgotten. */
static const double CUT = 14;

struct hypothesis *beam_branch(struct beam *beam, const struct hypothesis *from, double against)
{
    struct hypothesis *one;

    if (beam->count == BRANCHES || from->against + against > beam->best + CUT)
        return NULL;
    one = &beam->list[beam->count++];
    *one = *from;
    one->against += against;
    beam->best = fmin(beam->best, one->against);
    return one;
}

int beam_by_against(const void *a, const void *b)
{
    const struct hypothesis *x = a, *y = b;

    return (x->against > y->against) - (x->against < y->against);
}

/* The same story by another way: only the likelier is kept. */
static bool is_same(const struct hypothesis *a, const struct hypothesis *b)
{
    return a->phase == b->phase && a->count == b->count && a->lids == b->lids && a->things == b->things
           && a->nothing == b->nothing && a->over == b->over && a->pressing == b->pressing && a->pours == b->pours
           && fabs(a->hand_g - b->hand_g) < 0.1 && fabs(a->shift_g - b->shift_g) < 0.1
           && fabs(a->poured_g - b->poured_g) < 0.1 && a->first_water_us == b->first_water_us
           && (isnan(a->dose_g) ? isnan(b->dose_g) : fabs(a->dose_g - b->dose_g) < 0.1)
           && a->left_weighing == b->left_weighing && a->filled == b->filled && a->brewer_us == b->brewer_us;
}

int beam_prune(struct hypothesis *list, int count, struct hypothesis *kept)
{
    int n = 0;

    qsort(list, (size_t)count, sizeof *list, beam_by_against);
    for (int i = 0; i < count && n < BEAM; i++) {
        bool same = false;

        for (int j = 0; j < n && !same; j++)
            same = is_same(&kept[j], &list[i]);
        if (!same && list[i].against <= list[0].against + CUT)
            kept[n++] = list[i];
    }
    return n;
}
