/* Looking before a plan's end: how sure a difference must be to be called early.  Pure.
 *
 * Bounds shrink with the share of the plan that is done as O'Brien & Fleming's do (Biometrics 35, 1979); their size is
 * found by the recursive integration of Armitage, McPherson & Rowe (J. R. Statist. Soc. A 132, 1969; both from
 * memory). */
#ifndef POISE_LOOKS_H
#define POISE_LOOKS_H

#pragma GCC visibility push(default)

/* All looks before the end together spend this much of what may be wrongly called; the end keeps its whole level. */
#define LOOKS_SPEND 0.005

enum { LOOKS_MOST = 50 };

/* The bound on |Z| at the last of `planned` equally spaced looks, of which the first `taken` are taken, such that all
 * of them together call a difference that is not there with probability alpha; the k-th look's bound is this times
 * sqrt(planned / k).  NAN for no looks, more than LOOKS_MOST, or taken > planned. */
double looks_bound(int planned, int taken, double alpha);

/* The confidence at which to judge when `done` of `planned` equal parts of the plan are done: `confidence` at the end
 * and beyond it; 1 before the first part is done, where nothing is called. */
double looks_confidence(int planned, int done, double confidence);

#pragma GCC visibility pop

#endif
