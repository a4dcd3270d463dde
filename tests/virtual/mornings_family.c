/* The families of mornings: each is one habit of a bench, as a change to a tidy one.  See mornings.h. */
#include "mornings.h"

#define MOSTLY_THREE                 \
    {                                \
        0.01, 0.03, 0.92, 0.03, 0.01 \
    }
#define ONE_TO_FIVE                \
    {                              \
        0.12, 0.2, 0.36, 0.2, 0.12 \
    }

/* Read five to eight minutes after the press, water first and then every four cups or so. */
#define TIDY                                                                                                         \
    .brewers = 1, .people = 1, .repeats = MOSTLY_THREE, .wait_least_s = 240, .wait_most_s = 420, .wait_spread = 0.3, \
    .blank_every = 4, .ordered = 0.5, .level_most_pct = 0.03, .drift = 0.02
#define WITH_LATE .wait_least_s = 240, .wait_most_s = 1080, .wait_spread = 0.45
#define WITH_TWO_PEOPLE .brewers = 2, .people = 2

#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Woverride-init" /* a family is the tidy bench with one habit changed */
static const struct morning_family families[] = {
    { "tidy", "three readings of each cup in turn", { TIDY } },
    { "two-brewers", "cups of two brewers, one refractometer", { TIDY, .brewers = 2 } },
    { "late", "samples 3 to 25 minutes old", { TIDY, WITH_LATE } },
    { "missing", "cups passed over", { TIDY, WITH_LATE, .pass = 0.15 } },
    { "doubled", "cups read once more later", { TIDY, .again = 0.15 } },
    { "repeats", "1 to 5 readings where 3 are wanted", { TIDY, .repeats = ONE_TO_FIVE } },
    { "helper", "out of order, and a helper names half of the cups", { TIDY, WITH_LATE, .jump = 0.3, .name = 0.5 } },
    { "out-of-order", "out of order, nobody names any", { TIDY, WITH_LATE, .jump = 0.2 } },
    { "two-people",
      "two people, two refractometers, each his own brewer",
      { TIDY, WITH_TWO_PEOPLE, .own_cups = true } },
    { "two-share", "two people, two refractometers, whoever is free", { TIDY, WITH_TWO_PEOPLE, .jump = 0.05 } },
    { "drift",
      "water shows up to 0.15 %, in steps, unordered",
      { TIDY, .ordered = 0, .level_most_pct = 0.12, .drift = 0.2 } },
    { "ordered",
      "the same, blanks ordered and often zeroed",
      { TIDY, .ordered = 1, .level_most_pct = 0.12, .drift = 0.2, .reset = 0.5 } },
    { "no-blank", "water is never read", { TIDY, .blank_every = 0, .level_most_pct = 0.06, .drift = 0.05 } },
    { "rinse",
      "readings of water with a rest of coffee",
      { TIDY, .ordered = 0, .level_most_pct = 0.09, .rinse = 0.35 } },
    { "neighbour", "readings of a neighbour's coffee", { TIDY, .stray = 0.1 } },
    { "carry-over", "a tenth of what was on the prism before", { TIDY, .carry = 0.5 } },
    { "typed", "some cups typed, some of them coarsely", { TIDY, .typed = 0.25 } },
    { "discarded", "cups discarded before or after they were read", { TIDY, WITH_LATE, .discard = 0.15 } },
    { "late-clock", "cups whose end is recorded after their reading", { TIDY, .late_clock = 0.25 } },
    { "one-recipe",
      "all cups alike; some passed over, some in another order",
      { TIDY, WITH_LATE, .recipes = RECIPES_ONE, .pass = 0.08, .jump = 0.1, .again = 0.03 } },
    { "near-recipes",
      "two recipes that differ little, with the same slips",
      { TIDY, WITH_LATE, .recipes = RECIPES_NEAR, .pass = 0.08, .jump = 0.1, .again = 0.03 } },
    { "unknown", "water or contact time of some cups not known", { TIDY, WITH_LATE, .unknown = 0.3, .pass = 0.06 } },
    { "all",
      "a little of everything",
      { TIDY, WITH_LATE, WITH_TWO_PEOPLE, .repeats = { 0.06, 0.12, 0.66, 0.1, 0.06 }, .pass = 0.05, .jump = 0.05,
        .again = 0.03, .name = 0.1, .level_most_pct = 0.09, .drift = 0.1, .reset = 0.2, .rinse = 0.05, .stray = 0.03,
        .carry = 0.15, .typed = 0.05, .discard = 0.04, .late_clock = 0.05, .unknown = 0.05 } },
};
#pragma GCC diagnostic pop

int morning_family_count(void)
{
    return (int)(sizeof families / sizeof *families);
}

const struct morning_family *morning_family(int family)
{
    return &families[family];
}

bool morning_seed_unread(unsigned long seed)
{
    return seed % 2 == 1;
}
