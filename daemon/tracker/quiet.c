/* A scale that speaks only at rest is silent while hands move, while its filter runs out, and for as long as it wants
 * to see its load rest.  A filter runs out in a time that grows with the logarithm of what moved. */
#include "quiet.h"

#include <math.h>

/* Longer than so many readings' time, and than this, is no lost line. */
static const double SILENT_PERIODS = 2.5, SILENT_LEAST_S = 0.3;

/* What moves by so much is seen on its way by a scale that speaks. */
static const double MOVED_LEAST_G = 8, MOVED_DIVISIONS = 20;

/* A thing is put down or lifted within this (practice), and a scale wants to see it rest for so long where no tare has
 * shown it (common practice, no source). */
static const double HAND_S = 0.4, REST_S = 0.5;

/* A silence of such a share of the shortest of a movement is a tare's, where none has shown how long that takes. */
static const double TARE_SHARE = 0.75;

bool quiet_is(const struct quiet *quiet)
{
    return quiet->moved_silent > quiet->moved_spoken;
}

bool quiet_is_silence(double interval_s, double period_s)
{
    return interval_s > fmax(SILENT_PERIODS * period_s, SILENT_LEAST_S);
}

void quiet_learn(struct quiet *quiet, double moved_g, double interval_s, double period_s, double division_g)
{
    double nats = log(fmax(fabs(moved_g) / division_g, 1));

    if (fabs(moved_g) < fmax(MOVED_LEAST_G, MOVED_DIVISIONS * division_g))
        return;
    if (!quiet_is_silence(interval_s, period_s)) {
        quiet->moved_spoken = (unsigned char)fmin(quiet->moved_spoken + 1, 200);
        return;
    }
    quiet->moved_silent = (unsigned char)fmin(quiet->moved_silent + 1, 200);
    if (!(quiet->moved_s > 0 && quiet->moved_s < (float)interval_s)) {
        quiet->moved_s = (float)interval_s;
        quiet->moved_nats = (float)nats;
    }
}

bool quiet_could_be_tare(const struct quiet *quiet, double interval_s)
{
    if (quiet->tare_s > 0)
        return interval_s < sqrt((double)quiet->tare_s * (double)quiet->moved_s);
    return interval_s < TARE_SHARE * (double)quiet->moved_s;
}

void quiet_tared(struct quiet *quiet, double interval_s)
{
    if (!(quiet->tare_s > 0 && quiet->tare_s < (float)interval_s))
        quiet->tare_s = (float)interval_s;
}

double quiet_settling_s(const struct quiet *quiet, double last_g, double division_g)
{
    double after_s = fmax(0, (double)quiet->moved_s - HAND_S); /* a thing that was put down */
    double rests_s = fmin(quiet->tare_s > 0 ? (double)quiet->tare_s : REST_S, after_s);
    double nats = log(fmax(fabs(last_g) / division_g, 1));

    return rests_s + (after_s - rests_s) * nats / fmax((double)quiet->moved_nats, 1);
}
