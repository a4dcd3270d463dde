/* A thermometer in the slurry: when it went in, when it came out, and how warm the slurry was between and at the press.
 *
 * What stands in a slurry cools slowly; what is put in or taken out changes fast.  The longest slow stretch that is
 * warmer than the room is the slurry.  It is fitted by Newton's law of cooling towards the room, which the thermometer
 * showed before or after; and what the thermometer's own time constant lags is undone, with the uncertainty of that
 * constant.  Pure; seconds and degrees Celsius.
 *
 * Sources: Newton's law T = Ta + (T0 - Ta) exp(-k t); a first-order thermometer of time constant h in a bath that cools
 * so shows Ta + (T0 - Ta) exp(-k t) / (1 - k h) once it has settled (the differential equation, solved). */
#ifndef POISE_IMMERSION_H
#define POISE_IMMERSION_H

#include <stdbool.h>
#include <stddef.h>

#pragma GCC visibility push(default)

struct immersion {
    double in_s, out_s;             /* NAN: it was in when the readings began, or at their end */
    double room_c, room_u_c;        /* as it showed, else as rooms are */
    double lag_s, lag_u_s;          /* its time constant: as it was given, else as it rose, else as such probes are */
    double from_s, until_s;         /* what was fitted */
    double middle_s, above_c, fall; /* above the room at middle_s, lag undone; the k of Newton's law, 1/s */
    double above_u_c, fall_u, spot_u_c;
};

/* n readings in the order of their times, of this last digit; lag_s NAN: not known.  False where no slow stretch of at
 * least six readings and ten seconds stands out. */
bool immersion_find(const double *at_s, const double *shown_c, size_t n, double resolution_c, double lag_s,
                    struct immersion *out);

/* The slurry at a time, and its standard uncertainty, which grows with the distance from what was seen. */
void immersion_at(const struct immersion *immersion, double at_s, double *slurry_c, double *u_c);

#pragma GCC visibility pop

#endif
