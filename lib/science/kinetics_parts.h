/* What the two files of kinetics share. */
#ifndef POISE_KINETICS_PARTS_H
#define POISE_KINETICS_PARTS_H

#include "poise/kinetics.h"

/* dE(t)/d(E1, k, E0). */
void kinetics_gradient(const struct kinetics_fit *fit, double t, double out[KINETICS_PARAMETERS]);

/* How many cups the i-th is, and all together. */
double kinetics_weight(const struct kinetics_data *data, size_t i);
size_t kinetics_cups(const struct kinetics_data *data);

#endif
