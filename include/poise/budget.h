/* Where the uncertainty of a cup's strength and extraction comes from (JCGM 100:2008).  Pure.
 *
 * A part is a standard uncertainty in the unit of the result and its degrees of freedom.  Parts are independent. */
#ifndef POISE_BUDGET_H
#define POISE_BUDGET_H

#include <stdbool.h>

#include "poise/stages.h"

#pragma GCC visibility push(default)

enum budget_part {
    BUDGET_REPEAT,      /* readings of one sample differ */
    BUDGET_DIGIT,       /* the last digit that the refractometer shows */
    BUDGET_ACCURACY,    /* of the refractometer, by its manual or its check with a known solution */
    BUDGET_CALIBRATION, /* the line through its checks, by which it was corrected */
    BUDGET_BLANK,       /* what water showed then, which was subtracted */
    BUDGET_TEMPERATURE, /* of the sample, where the refractometer does not correct for it */
    BUDGET_FILTER,      /* what passes or stays where no syringe filter was used */
    BUDGET_FACTOR,      /* from Brix to strength */
    BUDGET_BEVERAGE,    /* the cup was weighed */
    BUDGET_DOSE,        /* the coffee was weighed */
    BUDGET_PARTS
};

/* "repeat", "digit", "accuracy", "calibration", "blank", "temperature", "filter", "factor", "beverage", "dose"; -1:
 * none of them. */
const char *budget_part_name(enum budget_part part);
int budget_part_find(const char *name);

/* What it is, for people: "readings of one sample differ". */
const char *budget_part_words(enum budget_part part);

struct budget {
    double u[BUDGET_PARTS];       /* 0: no such part */
    double freedom[BUDGET_PARTS]; /* INFINITY: as good as known */
};

/* No parts, and INFINITY everywhere. */
void budget_clear(struct budget *budget);

/* The combined standard uncertainty (5.1.2); 0 when there is no part. */
double budget_combined(const struct budget *budget);

/* Effective degrees of freedom: u^4 / sum(u_i^4 / freedom_i) (Welch-Satterthwaite, G.4.1); INFINITY where no part
 * has few. */
double budget_freedom(const struct budget *budget);

/* The budget of extraction in the cup from that of the strength, with the two weighings: E = S B / D, so that u of the
 * strength counts B / D times, of the beverage S / D and of the dose S B / D2 (5.1.3).  False where one of the three is
 * not known, or the dose is not positive; `out` is then untouched. */
bool budget_of_extraction(const struct budget *strength, const struct measures *measures, struct budget *out);

#pragma GCC visibility pop

#endif
