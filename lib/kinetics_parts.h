/* What the two files of kinetics share. */
#ifndef POISE_KINETICS_PARTS_H
#define POISE_KINETICS_PARTS_H

#include "poise/kinetics.h"

/* dE(t)/d(E1, k, E0). */
void kinetics_gradient(const struct kinetics_fit *fit, double t, double out[KINETICS_PARAMETERS]);

#endif
