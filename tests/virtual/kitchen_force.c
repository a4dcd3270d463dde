/* Contact forces as closed functions of time: what hands, things and streams press on a scale.  Not for how a scale
 * shows them. */
#include "kitchen_parts.h"

#include <math.h>

/* A stream that falls 10 cm arrives at 1.4 m/s and presses with its momentum: 0.14 s worth of its flow. */
#define STREAM_IMPACT_S 0.14

static double waves(const struct force *force, double at_s)
{
    double sum = 0;

    for (int i = 0; i < FORCE_WAVES; i++)
        if (force->wave[i].size != 0)
            sum += force->wave[i].size * sin(2 * M_PI * force->wave[i].hz * at_s + force->wave[i].phase);
    return sum;
}

static double clamp(double share)
{
    return share < 0 ? 0 : share > 1 ? 1 : share;
}

/* From 0 to 1, the steeper in the middle the higher the power. */
static double step(double share, double power)
{
    double there = pow(clamp(share), power), left = pow(1 - clamp(share), power);

    return there / (there + left);
}

/* What has flowed by then of 1, and how fast: the flow rises, holds and falls like a trapezium. */
static double flowed(double share, double rise, double fall, double *speed)
{
    double top = 1 / (1 - rise / 2 - fall / 2);

    share = clamp(share);
    if (share < rise) {
        *speed = top * share / rise;
        return top * share * share / (2 * rise);
    }
    if (share > 1 - fall) {
        *speed = top * (1 - share) / fall;
        return 1 - top * (1 - share) * (1 - share) / (2 * fall);
    }
    *speed = top;
    return top * (share - rise / 2);
}

static double stream(const struct force *force, double at_s)
{
    double length = force->to_s - force->from_s, share = (at_s - force->from_s) / length;
    double speed, uneven = 0, done;

    if (share <= 0)
        return 0;
    if (share >= 1)
        return force->amount_g;
    /* time runs unevenly, with whole waves over the stream so that it begins and ends when it does */
    for (int i = 1; i <= 3; i++)
        uneven += force->wander / (2 * M_PI * i) * sin(2 * M_PI * i * share) * (i == 2 ? -1 : 1) / 2;
    done = flowed(share + uneven, force->rise_s / length, force->fall_s / length, &speed);
    return force->amount_g * (done + speed / length * STREAM_IMPACT_S);
}

static double hand(const struct force *force, double at_s)
{
    double since = at_s - force->from_s, left = force->to_s - at_s, share = since / (force->to_s - force->from_s);
    double level = pow(clamp(since / force->rise_s), force->power) * step(left / force->fall_s, 2);

    return since <= 0 || left <= 0
               ? 0
               : force->amount_g * level * (1 + force->growth * share + force->wander * waves(force, at_s));
}

double force_at(const struct force *force, double at_s)
{
    double since = at_s - force->from_s, share = since / (force->to_s - force->from_s);

    if (since <= 0)
        return 0;
    switch (force->shape) {
    case FORCE_STEP:
        return force->amount_g * step(share, force->power);
    case FORCE_STREAM:
        return stream(force, at_s);
    case FORCE_RAMP:
        return force->amount_g * clamp(share);
    case FORCE_HAND:
        return hand(force, at_s);
    case FORCE_BLOW:
        return force->amount_g * exp(-since / force->rise_s) * waves(force, at_s);
    case FORCE_SHAKE:
        return at_s >= force->to_s ? 0
                                   : force->amount_g * (force->growth + waves(force, at_s))
                                         * clamp(since / force->rise_s) * clamp((force->to_s - at_s) / force->fall_s);
    }
    return 0;
}

double force_left(const struct force *force)
{
    return force->shape == FORCE_STEP || force->shape == FORCE_STREAM || force->shape == FORCE_RAMP ? force->amount_g
                                                                                                    : 0;
}

double force_over_s(const struct force *force)
{
    return force->shape == FORCE_BLOW ? force->from_s + 12 * force->rise_s : force->to_s;
}
