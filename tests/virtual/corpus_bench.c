/* A bench of the corpus: its scales, their wires, and what its configuration and its plan know, drawn from a seed.
 * Shares and ranges are guesses at common practice (no source); what matters is that all of it occurs. */
#include "corpus.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Lines come late by up to so much in the mean: a busy machine, a scale that sends when it gets round to it.  Half
 * of the scales have an adapter that hands over what it gathered every 16 ms, which adapters do until reported
 * otherwise (common practice, no source). */
static const double LATE_MOST_S = 0.02, BUNCH_S = 0.016;

/* What hands miss of a plan. */
static const double DOSE_MISSED_G = 0.2, WATER_MISSED_G = 3;

static double draw(unsigned long *state)
{
    *state = *state * 6364136223846793005UL + 1442695040888963407UL;
    return (double)(*state >> 11) / 9007199254740992.0;
}

static void draw_scale(struct model_scale_settings *scale, unsigned long *state)
{
    static const double rates_hz[] = { 2, 5, 10, 20 }, capacities_g[] = { 3000, 6000, 10000, 30000 };

    scale->layout = (enum model_layout)((int)(draw(state) * MODEL_LAYOUTS));
    scale->rate_hz = rates_hz[(int)(draw(state) * 4)];
    scale->lag_s = 0.1 + 0.4 * draw(state);
    scale->division_g = draw(state) < 0.75 ? 0.1 : 1;
    scale->noise_g = 0.02 + 0.02 * draw(state);
    scale->capacity_g = capacities_g[(int)(draw(state) * 4)];
    scale->lost = 0.02;
    scale->damaged = 0.005;
    scale->jitter_s = LATE_MOST_S * draw(state);
    scale->bunch_s = draw(state) < 0.5 ? BUNCH_S : 0;
}

void corpus_bench_draw(struct corpus_bench *bench, unsigned long seed)
{
    unsigned long state = seed * 2654435761UL + 12345;

    memset(bench, 0, sizeof *bench);
    bench->seed = seed;
    draw(&state);
    draw_scale(&bench->scale[0], &state);
    bench->lag_known = draw(&state) < 0.5;
    bench->cups_known = draw(&state) < 0.3;
    bench->tares_ordered = draw(&state) < 0.3;
    bench->planned = draw(&state) < 0.3;
    bench->scales = draw(&state) < 0.25 ? 2 : 1;
    draw_scale(&bench->scale[1], &state);
}

static void print_scale(const struct model_scale_settings *scale)
{
    printf("%s, %.0f Hz, lag %.2f s, late %.0f ms%s, %.2g g, capacity %.0f g", model_layout_name(scale->layout),
           scale->rate_hz, scale->lag_s, scale->jitter_s * 1000, scale->bunch_s > 0 ? " in bunches" : "",
           scale->division_g, scale->capacity_g);
}

void corpus_bench_print(const struct corpus_bench *bench, const char *kind)
{
    printf("seed %lu: %s; ", bench->seed, kind);
    print_scale(&bench->scale[0]);
    printf("%s%s%s%s", bench->lag_known ? ", lag known" : "", bench->cups_known ? ", cups known" : "",
           bench->tares_ordered ? ", tares ordered" : "", bench->planned ? ", planned" : "");
    if (bench->scales > 1) {
        printf("; second ");
        print_scale(&bench->scale[1]);
    }
    printf("\n");
}

void corpus_bench_plan(const struct corpus_bench *bench, const struct model_script *script, int brew,
                       struct tracker_plan *out)
{
    unsigned long state = bench->seed * 40503UL + (unsigned long)brew;
    double dose_g = 0, water_g = 0;
    int at = -1;

    for (int i = 0; i < MEASURE_COUNT; i++)
        out->target[i] = out->tolerance[i] = NAN;
    if (!bench->planned || brew >= script->brew_count)
        return;
    for (int i = 0; i < script->action_count; i++) {
        const struct model_action *action = &script->action[i];

        at += action->kind == MODEL_DO_BREW;
        if (at != brew)
            continue;
        dose_g += action->kind == MODEL_DO_COFFEE ? action->amount_g : 0;
        water_g += action->kind == MODEL_DO_BLOOM || action->kind == MODEL_DO_POUR ? action->amount_g : 0;
    }
    draw(&state);
    out->target[MEASURE_DOSE_G] = dose_g + script->brew[brew].ready_g + DOSE_MISSED_G * (2 * draw(&state) - 1);
    out->tolerance[MEASURE_DOSE_G] = DOSE_MISSED_G;
    out->target[MEASURE_WATER_G] = water_g + WATER_MISSED_G * (2 * draw(&state) - 1);
    out->tolerance[MEASURE_WATER_G] = WATER_MISSED_G;
}
