/* The plan that is being brewed: which run is offered where, which is done, which must be done again.
 * Pure, kept and restored as text; what a plan says is poise/plan.h. */
#ifndef POISE_PLANNER_H
#define POISE_PLANNER_H

#include <jansson.h>

#include "brews.h"
#include "poise/plan.h"
#include "poise/text.h"

enum { PLANNER_STATIONS = 64 }; /* further stations brew without a plan */

enum run_state { RUN_WAITING, RUN_BREWING, RUN_DONE };

struct planned_run {
    enum run_state state;
    char brew[BREW_SIZE];    /* that was or is this run; empty: none yet */
    char kept[BREW_SIZE];    /* an earlier try that a correction let keep the plan while `brew` is under way */
    int tries;               /* brews begun for it */
    char by_hand[BREW_SIZE]; /* the brew that the operator credited to it: that stays; empty: none */
};

struct planner {
    struct plan *plan; /* NULL: none is loaded */
    char *text;        /* the file as it was loaded */
    uint32_t seed;
    char first[BREW_SIZE]; /* the first brew that took a run; empty: none yet */
    struct plan_run *runs; /* in the order first drawn; run number 1 is runs[0] */
    struct planned_run *made;
    int *queue; /* runs that wait, by their place in `runs` */
    int count, queued;
    struct {
        char station[NAME_SIZE];
        int run; /* -1: none */
    } offers[PLANNER_STATIONS];
    int offer_count;
    bool changed; /* since it was last kept */
};

/* Loads a plan.  `seed` is used when the file names none.  0 or a negative errno. */
int planner_load(struct planner *planner, const char *text, size_t length, uint32_t seed, struct why *why);
void planner_unload(struct planner *planner);

/* Offers this station the run that it should brew next, by its place in `runs`; -1: none.  Two stations are offered
 * different runs as long as there are two, and what was offered stays so until it is brewed. */
int planner_offer(struct planner *planner, const char *station);

/* What it is offered, or would be: asking changes nothing. */
int planner_offered(const struct planner *planner, const char *station);

/* Only these stations are there: what was offered to others, which were renamed or are gone, is free again. */
void planner_stations(struct planner *planner, const char *(*name)(const void *context, int index), const void *context,
                      int count);

/* A brew begins: it is the run that was offered.  Its JSON, owned by the caller; NULL: no plan, or all
 * is brewed. */
json_t *planner_take(struct planner *planner, const char *station, const char *brew);

/* Judges a brew that is over, or was corrected since: sets brew->plan_kept, and `why` to the reasons when it was not
 * kept, else empty.  A brew that missed its run and is what another open run asks becomes that run's, the one it fits
 * best: brew->plan is then another, and `why` says so.  Returns 1 when the verdict is a new one, else 0.  A run that
 * was not kept or was discarded has its repeat queued, unless an earlier try of it kept the plan; one that kept it
 * after all loses its repeat. */
int planner_over(struct planner *planner, struct brew *brew, struct why *why);

/* The operator says which run a brew was: brew->plan and its verdict follow. */
int planner_credit(struct planner *planner, struct brew *brew, int run, struct why *why);

/* Takes over the brews of the same experiment that were made before the plan was loaded: each that was the same in all
 * that is set, and keeps the tolerances of now, is done.  `changed` gets each brew whose plan is another now. */
void planner_adopt(struct planner *planner, struct brews *brews,
                   void (*changed)(void *context, struct brew *brew, const struct why *why), void *context);

/* The offered run goes to the end. */
int planner_skip(struct planner *planner, const char *station, struct why *why);

/* What this brew was is to be brewed once more. */
int planner_redo(struct planner *planner, const struct brew *brew, struct why *why);

int planner_done(const struct planner *planner);

/* As text for the journal (NULL: memory is short; "" when no plan is loaded), and back. */
char *planner_save(const struct planner *planner);
int planner_restore(struct planner *planner, const char *text, size_t length);

/* For state/BENCH: an object or null. */
void planner_write(const struct planner *planner, struct text *out);
void planner_write_next(const struct planner *planner, const char *station, const struct brew *running,
                        struct text *out);

/* All of it, for people: {"experiment", "title", "text", "random", "seed", "done", "of", "runs": [...]}. */
json_t *planner_show(const struct planner *planner);

#endif
