/* Brent's methods; see brent.h. */
#include "brent.h"

#include <gsl/gsl_min.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <stddef.h>

#include "gsl_quiet.h"

enum { STEPS = 100 };

/* Larger than anything that is searched, and its square is still a number. */
static const double VERY_LARGE = 1e100;

struct bounded {
    brent_function *function;
    void *context;
};

static double call(double at, void *context)
{
    const struct bounded *bounded = context;
    double value = bounded->function(at, bounded->context);

    return isinf(value) ? copysign(VERY_LARGE, value) : value;
}

double brent_root(brent_function *function, void *context, double low, double high, double tolerance)
{
    struct bounded bounded = { function, context };
    gsl_function of = { call, &bounded };
    gsl_error_handler_t *handler = gsl_quiet_begin();
    gsl_root_fsolver *solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    double found = NAN;

    if (solver && gsl_root_fsolver_set(solver, &of, low, high) == GSL_SUCCESS) {
        for (int i = 0; i < STEPS && gsl_root_fsolver_iterate(solver) == GSL_SUCCESS; i++) {
            double before = found;

            found = gsl_root_fsolver_root(solver);
            /* a step so small is the last: it grows smaller faster than the bracket, one end of which may stay */
            if (gsl_root_fsolver_x_upper(solver) - gsl_root_fsolver_x_lower(solver) <= tolerance
                || fabs(found - before) <= tolerance / 10)
                break;
        }
    } else if (solver) {
        found = fabs(call(low, &bounded)) < fabs(call(high, &bounded)) ? low : high;
    }
    if (solver)
        gsl_root_fsolver_free(solver);
    gsl_quiet_end(handler);
    return found;
}

double brent_minimum(brent_function *function, void *context, double low, double middle, double high, double tolerance,
                     double *least)
{
    struct bounded bounded = { function, context };
    gsl_function of = { call, &bounded };
    gsl_error_handler_t *handler = gsl_quiet_begin();
    gsl_min_fminimizer *minimizer = gsl_min_fminimizer_alloc(gsl_min_fminimizer_brent);
    double found = middle, value = NAN;

    if (minimizer && gsl_min_fminimizer_set(minimizer, &of, middle, low, high) == GSL_SUCCESS)
        for (int i = 0; i < STEPS && gsl_min_fminimizer_iterate(minimizer) == GSL_SUCCESS; i++) {
            found = gsl_min_fminimizer_x_minimum(minimizer);
            value = gsl_min_fminimizer_f_minimum(minimizer);
            if (gsl_min_fminimizer_x_upper(minimizer) - gsl_min_fminimizer_x_lower(minimizer) <= tolerance)
                break;
        }
    if (isnan(value))
        value = call(middle, &bounded);
    if (minimizer)
        gsl_min_fminimizer_free(minimizer);
    gsl_quiet_end(handler);
    if (least)
        *least = value;
    return found;
}
