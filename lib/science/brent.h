/* Roots and minima of a function of one number, by Brent's methods as the GNU Scientific Library has them. */
#ifndef POISE_BRENT_H
#define POISE_BRENT_H

typedef double brent_function(double at, void *context);

/* Where it crosses zero between two places at which its signs differ, to `tolerance` of the place (absolute).  A value
 * that is infinite counts as very large.  The end that is nearer to zero where the signs do not differ; NAN without
 * memory. */
double brent_root(brent_function *function, void *context, double low, double high, double tolerance);

/* Where it is least between low and high, begun at a place between them at which it is less than at both.  That place
 * where it is not.  `least` (may be NULL) gets the value. */
double brent_minimum(brent_function *function, void *context, double low, double middle, double high, double tolerance,
                     double *least);

#endif
