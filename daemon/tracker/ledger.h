/* Masses: which cup it is, how much should have come through, and what of it is likely. */
#ifndef POISE_TRACKER_LEDGER_H
#define POISE_TRACKER_LEDGER_H

#include "hypothesis.h"

struct tracker;

/* The empty cup below a full one: seen, or the known one that fits; NAN.  doubt_g (NULL: not wanted) is how far apart
 * those are that fit. */
double ledger_cup_of(const struct tracker *tracker, const struct hypothesis *story, double full_g, double *doubt_g);

/* The dose that nobody saw: entered, planned or usual; and its uncertainty. */
double ledger_foreseen_dose_g(const struct tracker *tracker, double *u_g);

/* What should have come through, and whether so much may have. */
double ledger_expected_beverage_g(const struct tracker *tracker, const struct hypothesis *story);
bool ledger_is_likely_beverage(const struct tracker *tracker, const struct hypothesis *story, double beverage_g);

/* Whether it weighs what a known cup does with nothing in it. */
bool ledger_is_empty_cup(const struct tracker *tracker, double load_g);

/* What is against this load being the full cup, or the next, empty one; nats, as densities per gram relative to
 * a cup that might weigh anything. */
double ledger_against_full(const struct tracker *tracker, const struct hypothesis *story, double load_g);
double ledger_against_empty(const struct tracker *tracker, const struct hypothesis *story, double load_g);

/* What is against what was pressed through being so much, when the cup below this load is known; nats. */
double ledger_against_balance(const struct tracker *tracker, const struct hypothesis *story, double load_g);

/* How much is for a value as near as this to what was foreseen, against one that might be anything. */
double ledger_sharpness(double spread_g);

/* What is against the masses of a story as a whole; nats. */
double ledger_against(const struct tracker *tracker, const struct hypothesis *story);

/* Fills in all measures that the story can give, and what it knows of its cup. */
void ledger_measure(const struct tracker *tracker, struct hypothesis *story, struct measures *measures);

/* The law of masses, which every number passes on its way out: none is sure while the liquid held per gram of coffee is
 * beyond what any bed holds, the beverage is not positive, or more than the water.  Each is then as uncertain as what
 * is missing, but for what the operator entered. */
void ledger_balance(struct measures *measures, const struct measures *entered);

/* A measure and its uncertainty; NAN for both when it is not known. */
void ledger_set(struct measures *measures, enum measure measure, double value, double u);

#endif
