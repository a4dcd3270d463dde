/* How an instrument shows a load, and when its lines arrive.  Not for what presses on it. */
#include "kitchen_parts.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

enum {
    CONVERSIONS_PER_S = 80, /* at least: what the cheap converters of weighing scales do */
    MEAN_MOST = 1100,       /* conversions in a moving mean: a second of the fastest */
    SHOWN_MOST = 600        /* values in the half second by which a scale calls itself stable */
};

struct instrument {
    const struct kitchen_session *session;
    const struct kitchen_scale *scale;
    int index;
    gsl_rng *random;
    double pole[2], memory[MEAN_MOST];
    int remembered, next_memory;
    double zero_g, zero_before_g, slid_from_s;
    double creep_g, tracked_load_g;
    double shown[SHOWN_MOST];
    int shown_count;
    double bunch_until_s;
    bool begun, off;
    int next_tare;
    double tare_due_s; /* NAN: none */
    int next_force;    /* the forces that have begun stand before it, in the order of their beginning */
    const struct force **live;
    int live_count;
    double settled_g; /* of forces that are over */
};

struct kept {
    struct kitchen_reading *list;
    int count, room;
};

double kitchen_division_g(const struct kitchen_scale *scale)
{
    return scale->division * pow(10, scale->exponent);
}

static int by_beginning(const void *a, const void *b)
{
    const struct force *const *one = a, *const *other = b;

    return ((*one)->from_s > (*other)->from_s) - ((*one)->from_s < (*other)->from_s);
}

/* What presses on it now; time goes forward only. */
static double load_now(struct instrument *instrument, const struct force **order, int count, double at_s)
{
    double sum = 0;

    while (instrument->next_force < count && order[instrument->next_force]->from_s <= at_s)
        instrument->live[instrument->live_count++] = order[instrument->next_force++];
    for (int i = 0; i < instrument->live_count;) {
        if (force_over_s(instrument->live[i]) <= at_s) {
            instrument->settled_g += force_left(instrument->live[i]);
            instrument->live[i] = instrument->live[--instrument->live_count];
        } else {
            sum += force_at(instrument->live[i++], at_s);
        }
    }
    return instrument->settled_g + sum;
}

static double mean_of(struct instrument *instrument, double value, int length)
{
    double sum = 0;
    int held;

    instrument->memory[instrument->next_memory] = value;
    instrument->next_memory = (instrument->next_memory + 1) % MEAN_MOST;
    if (instrument->remembered < length)
        instrument->remembered++;
    held = instrument->remembered;
    for (int i = 1; i <= held; i++)
        sum += instrument->memory[(instrument->next_memory - i + MEAN_MOST) % MEAN_MOST];
    return sum / held;
}

static double filtered(struct instrument *instrument, double value, double step_s)
{
    const struct kitchen_scale *scale = instrument->scale;
    double time_s = scale->filter_s, share;

    if (!instrument->begun)
        instrument->pole[0] = instrument->pole[1] = value;
    instrument->begun = true;
    switch (scale->filter) {
    case KITCHEN_UNFILTERED:
        return value;
    case KITCHEN_MEAN:
        return mean_of(instrument, value, (int)fmax(1, fmin(MEAN_MOST - 1, round(scale->filter_s / step_s))));
    case KITCHEN_ADAPTIVE: /* quick while the load changes, slow at rest */
        if (fabs(value - instrument->pole[0]) > 3)
            time_s /= 4;
        break;
    default:
        break;
    }
    share = 1 - exp(-step_s / time_s);
    instrument->pole[0] += (value - instrument->pole[0]) * share;
    if (scale->filter != KITCHEN_TWO_POLES)
        return instrument->pole[0];
    share = 1 - exp(-step_s / scale->second_filter_s);
    instrument->pole[1] += (instrument->pole[0] - instrument->pole[1]) * share;
    return instrument->pole[1];
}

/* The load cell gives way slowly after a load comes, and comes back after it goes. */
static double crept(struct instrument *instrument, double load_g, double step_s)
{
    const struct kitchen_scale *scale = instrument->scale;
    double most_g;

    if (scale->creep_g_per_s <= 0)
        return 0;
    most_g = scale->creep_g_per_s * scale->creep_tau_s * load_g / 500;
    instrument->creep_g += (most_g - instrument->creep_g) * (1 - exp(-step_s / scale->creep_tau_s));
    return instrument->creep_g;
}

/* The last half second of shown values within so many divisions. */
static bool steady(const struct instrument *instrument, double divisions)
{
    int needed = (int)ceil(instrument->scale->rate_hz / 2) + 1;
    double least = INFINITY, most = -INFINITY;

    if (needed > SHOWN_MOST)
        needed = SHOWN_MOST;
    if (instrument->shown_count < needed)
        return false;
    for (int i = 1; i <= needed; i++) {
        double value = instrument->shown[(instrument->shown_count - i) % SHOWN_MOST];

        least = fmin(least, value);
        most = fmax(most, value);
    }
    return most - least <= (divisions + 0.01) * kitchen_division_g(instrument->scale);
}

static void take_tares(struct instrument *instrument, double now_s, double gross_g)
{
    const struct kitchen_script *script = instrument->session->script;
    const struct kitchen_scale *scale = instrument->scale;

    while (instrument->next_tare < script->tare_count && script->tare[instrument->next_tare].at_s <= now_s) {
        if (script->tare[instrument->next_tare].scale == instrument->index)
            instrument->tare_due_s = script->tare[instrument->next_tare].at_s + scale->tare_delay_s;
        instrument->next_tare++;
    }
    if (!(instrument->tare_due_s <= now_s)
        || (scale->tare_waits && !steady(instrument, 2) && now_s < instrument->tare_due_s + 2))
        return;
    instrument->zero_before_g = instrument->zero_g;
    instrument->zero_g = gross_g;
    instrument->slid_from_s = now_s;
    instrument->tare_due_s = NAN;
}

/* The zero that it takes off now: between the old and the new one while it slides. */
static double zero_now(const struct instrument *instrument, double now_s)
{
    double share = (now_s - instrument->slid_from_s) / fmax(1e-9, instrument->scale->tare_slide_s);

    return share >= 1 ? instrument->zero_g
                      : instrument->zero_before_g + (instrument->zero_g - instrument->zero_before_g) * share;
}

static void track_zero(struct instrument *instrument, double net_g, double interval_s)
{
    double division_g = kitchen_division_g(instrument->scale);

    /* half a division a second, as the recommendations for weighing instruments allow (OIML R 76, memory) */
    if (instrument->scale->zero_tracking && fabs(net_g) < 0.5 * division_g && steady(instrument, 1))
        instrument->zero_g += fmax(-1, fmin(1, net_g / division_g)) * 0.5 * division_g * interval_s;
}

static void switch_off_and_on(struct instrument *instrument, double now_s, double gross_g)
{
    const struct kitchen_scale *scale = instrument->scale;
    bool off = now_s >= scale->off_s && now_s < scale->on_s;

    if (instrument->off && !off) {
        instrument->zero_g = instrument->zero_before_g = gross_g - scale->on_zero_g;
        instrument->tare_due_s = NAN;
        instrument->shown_count = 0;
    }
    instrument->off = off;
}

static int keep(struct kept *kept, const struct kitchen_reading *reading)
{
    if (kept->count == kept->room) {
        int room = kept->room ? 2 * kept->room : 4096;
        struct kitchen_reading *moved = realloc(kept->list, (size_t)room * sizeof *moved);

        if (!moved)
            return -1;
        kept->list = moved;
        kept->room = room;
    }
    kept->list[kept->count++] = *reading;
    return 0;
}

/* When the line of a value arrives: soon, or with the others of its bunch. */
static double arrives(struct instrument *instrument, double now_s)
{
    const struct kitchen_scale *scale = instrument->scale;

    if (scale->bunch_most_s <= 0)
        return now_s + 0.004 * gsl_rng_uniform(instrument->random);
    if (now_s > instrument->bunch_until_s)
        instrument->bunch_until_s =
            now_s + scale->bunch_least_s
            + (scale->bunch_most_s - scale->bunch_least_s) * gsl_rng_uniform(instrument->random);
    return instrument->bunch_until_s + 0.001 * gsl_rng_uniform(instrument->random);
}

static int show(struct instrument *instrument, double now_s, double gross_g, struct kept *kept)
{
    const struct kitchen_scale *scale = instrument->scale;
    double division_g = kitchen_division_g(scale), net_g, steps;
    bool stable, lost;
    struct kitchen_reading reading = { .scale = instrument->index, .exponent = scale->exponent };

    switch_off_and_on(instrument, now_s, gross_g);
    take_tares(instrument, now_s, gross_g);
    net_g = gross_g - zero_now(instrument, now_s);
    steps = round(net_g / division_g);
    instrument->shown[instrument->shown_count++ % SHOWN_MOST] = steps * division_g;
    stable = steady(instrument, 1);
    track_zero(instrument, net_g, 1 / scale->rate_hz);
    lost = gsl_rng_uniform(instrument->random) < scale->lost;
    reading.at_s = arrives(instrument, now_s);
    if (instrument->off || lost || (scale->only_stable && !stable))
        return 0;
    reading.stable = scale->flags_stable || scale->only_stable ? stable : -1;
    reading.overload = gross_g > scale->capacity_g + 9 * division_g;
    if (!reading.overload)
        reading.mantissa = (int64_t)steps * scale->division;
    else if (reading.stable > 0)
        reading.stable = 0;
    if (kept->count && reading.at_s <= kept->list[kept->count - 1].at_s)
        reading.at_s = kept->list[kept->count - 1].at_s + 1e-6;
    return keep(kept, &reading);
}

static int play_scale(struct instrument *instrument, const struct force **order, int count, struct kept *kept)
{
    const struct kitchen_scale *scale = instrument->scale;
    int each = (int)fmax(1, ceil(CONVERSIONS_PER_S / scale->rate_hz));
    double step_s = 1 / scale->rate_hz / each;
    /* the filter takes some of the noise out again: what is asked for is the noise of a shown value */
    double lasts_s = scale->filter == KITCHEN_UNFILTERED ? step_s : fmax(step_s, scale->filter_s);
    double converted_g = scale->noise_g * sqrt(fmax(1, (scale->filter == KITCHEN_MEAN ? 1 : 2) * lasts_s / step_s));
    long steps = (long)(instrument->session->end_s / step_s);

    for (long i = 1; i <= steps; i++) {
        double now_s = (double)i * step_s, load_g = load_now(instrument, order, count, now_s), gross_g;

        load_g += crept(instrument, load_g, step_s);
        gross_g = filtered(instrument, load_g + gsl_ran_gaussian_ziggurat(instrument->random, converted_g), step_s);
        if (i % each == 0 && show(instrument, now_s, gross_g, kept) != 0)
            return -1;
    }
    return 0;
}

static int play_one(const struct kitchen_session *session, int scale, struct kept *kept)
{
    const struct kitchen_script *script = session->script;
    struct instrument *instrument = calloc(1, sizeof *instrument);
    size_t room = (size_t)script->force_count + 1;
    const struct force **order = malloc(room * sizeof *order);
    const struct force **live = malloc(room * sizeof *live);
    int count = 0, result = -1;

    if (instrument && order && live && (instrument->random = gsl_rng_alloc(gsl_rng_taus2))) {
        for (int i = 0; i < script->force_count; i++)
            if (script->force[i].scale == scale)
                order[count++] = &script->force[i];
        qsort(order, (size_t)count, sizeof *order, by_beginning);
        gsl_rng_set(instrument->random, session->noise_seed + (unsigned long)scale);
        instrument->session = session;
        instrument->scale = &session->scale[scale];
        instrument->index = scale;
        instrument->live = live;
        instrument->tare_due_s = NAN;
        instrument->slid_from_s = -100;
        result = play_scale(instrument, order, count, kept);
        gsl_rng_free(instrument->random);
    }
    free(live);
    free(order);
    free(instrument);
    return result;
}

int kitchen_play(const struct kitchen_session *session, kitchen_take *take, void *context)
{
    struct kept kept[KITCHEN_SCALES] = { { 0 } };
    int next[KITCHEN_SCALES] = { 0 }, result = 0;

    for (int i = 0; i < session->scale_count && result == 0; i++)
        result = play_one(session, i, &kept[i]);
    while (result == 0) {
        int first = -1;

        for (int i = 0; i < session->scale_count; i++)
            if (next[i] < kept[i].count
                && (first < 0 || kept[i].list[next[i]].at_s < kept[first].list[next[first]].at_s))
                first = i;
        if (first < 0)
            break;
        take(context, &kept[first].list[next[first]++]);
    }
    for (int i = 0; i < KITCHEN_SCALES; i++)
        free(kept[i].list);
    return result;
}

double kitchen_load_g(const struct kitchen_session *session, int scale, double at_s)
{
    double sum = 0;

    for (int i = 0; i < session->script->force_count; i++) {
        const struct force *force = &session->script->force[i];

        if (force->scale == scale)
            sum += force_over_s(force) <= at_s ? force_left(force) : force_at(force, at_s);
    }
    return sum;
}

double kitchen_standing_g(const struct kitchen_session *session, int scale, double at_s)
{
    double sum = 0;

    for (int i = 0; i < session->script->force_count; i++) {
        const struct force *force = &session->script->force[i];

        if (force->scale == scale && force_over_s(force) <= at_s)
            sum += force_left(force);
    }
    return sum;
}
