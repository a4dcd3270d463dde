/* The physics: where things stand, what hands do, what goes into solution.  See model.h.
 * Not here: scripts (script.c), what a scale makes of a load (scale.c), what the truth is called (truth.c). */
#include "model.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <string.h>

#define GRAVITY 9.80665 /* m/s2, 3rd CGPM 1901 */
#define STREAM_FALL_S                                                                                        \
    0.1                    /* a stream that falls for so long pushes with the weight of so much of its flow: \
                            * 1 m/s from a hand's breadth above */
#define TILT_S 0.6         /* a kettle is tipped, and tipped back, within so long; plausible, no source */
#define STIRRED_FASTER 3.0 /* extraction while stirred against at rest; a plausible figure, no source */
#define KNOCK_RINGS_S 0.15 /* how fast a blow dies away on a pan with rubber feet; plausible, no source */
#define PRESS_RISE_S 0.8   /* a hand takes that long to lean in, and half of it to let go */

/* Slow at both ends, as hands are. */
static double smooth(double x)
{
    x = x < 0 ? 0 : x > 1 ? 1 : x;
    return x * x * (3 - 2 * x);
}

/* Share of a pour that has fallen after the share x of its time: the flow rises and falls over TILT_S each. */
static double poured_share(double x, double duration_s)
{
    const double ramp = fmin(TILT_S / duration_s, 0.4), area = 1 - ramp;

    if (x <= 0)
        return 0;
    if (x >= 1)
        return 1;
    if (x < ramp)
        return x * x / (2 * ramp) / area;
    if (x > 1 - ramp)
        return 1 - (1 - x) * (1 - x) / (2 * ramp) / area;
    return (x - ramp / 2) / area;
}

static const struct model_brew *brew_of(const struct model *model)
{
    int brew = model->truth.brew_count - 1;

    return &model->script->brew[brew < 0 ? 0 : brew];
}

static struct model_brew_truth *truth_of(struct model *model)
{
    int brew = model->truth.brew_count - 1;

    return &model->truth.brew[brew < 0 ? 0 : brew];
}

static void mark(struct model *model, enum model_stage stage, double at_s)
{
    struct model_truth *truth = &model->truth;

    if (truth->mark_count < MODEL_MARKS)
        truth->mark[truth->mark_count++] =
            (struct model_mark){ .brew = truth->brew_count - 1, .stage = stage, .at_s = at_s };
}

/* A weigh that turned out to be the pause between two goes of a press is taken back. */
static void unmark_weigh(struct model *model)
{
    struct model_truth *truth = &model->truth;

    if (truth->mark_count && truth->mark[truth->mark_count - 1].stage == MODEL_STAGE_WEIGH
        && truth->mark[truth->mark_count - 1].brew == truth->brew_count - 1)
        truth->mark_count--;
}

static double borne(const struct model *model, int thing)
{
    double sum = 0;

    for (int scale = 0; scale < MODEL_SCALES; scale++)
        sum += model->share[thing][scale];
    return sum;
}

static double thing_g(const struct model *model, int thing)
{
    const struct model_brew *brew = brew_of(model);

    switch (1 << thing) {
    case MODEL_CUP:
        return brew->cup_g + model->cup_liquid_g;
    case MODEL_BREWER:
        return brew->brewer_g + model->bed_g + model->liquid_g;
    case MODEL_PLUNGER:
        return brew->plunger_g;
    default:
        return brew->stand_g;
    }
}

/* The places of things in the array of shares. */
enum { CUP, BREWER, PLUNGER };

/* Liquid from brewer to cup, as strong as it is now; returns how much there was. */
static double run_through(struct model *model, double amount_g)
{
    double solids_g;

    if (amount_g > model->liquid_g)
        amount_g = model->liquid_g;
    if (!(amount_g > 0))
        return 0;
    solids_g = model->solids_g * amount_g / model->liquid_g;
    model->liquid_g -= amount_g;
    model->solids_g -= solids_g;
    model->cup_liquid_g += amount_g;
    model->cup_solids_g += solids_g;
    return amount_g;
}

/* What happens by itself: first-order extraction, cooling, evaporation, dripping, blows ringing out. */
static void let_pass(struct model *model, bool stirred)
{
    const struct model_brew *brew = brew_of(model);
    struct model_brew_truth *truth = truth_of(model);
    const double dt = MODEL_STEP_S;

    model->ring_g *= exp(-dt / KNOCK_RINGS_S);
    model->slurry_c += (brew->room_c - model->slurry_c) * brew->cooling_per_s * dt;
    if (model->truth.brew_count == 0 || isnan(truth->first_water_s))
        return;
    if (isnan(truth->force_ended_s)) {
        double left_g = truth->dose_g * brew->extraction_most_pct / 100 - model->dissolved_g;
        double gone_g = left_g * brew->extraction_per_s * (stirred ? STIRRED_FASTER : 1) * dt;

        if (gone_g > model->bed_g)
            gone_g = model->bed_g;
        model->dissolved_g += gone_g;
        model->bed_g -= gone_g;
        model->liquid_g += gone_g;
        model->solids_g += gone_g;
    }
    if (borne(model, BREWER) > 0.5 && isnan(truth->force_began_s))
        truth->drip_seen = model->share[CUP][1] > 0.5;
    if (borne(model, PLUNGER) < 0.5 && isnan(truth->force_began_s)) {
        double gone_g = fmin(brew->evaporation_g_per_s * dt, model->liquid_g - model->solids_g);

        model->liquid_g -= gone_g > 0 ? gone_g : 0;
        if (brew->drip_g_per_s > 0 && model->liquid_g > brew->retained_g_per_g * truth->dose_g)
            truth->drip_g += run_through(model, brew->drip_g_per_s * dt);
    }
}

static void begin_brew(struct model *model)
{
    struct model_brew_truth *truth;
    const struct model_brew *brew;

    model->truth.brew_count++;
    truth = truth_of(model);
    brew = brew_of(model);
    *truth = (struct model_brew_truth){
        .first_water_s = NAN,
        .second_pour_s = NAN,
        .last_stir_end_s = NAN,
        .press_began_s = NAN,
        .force_began_s = NAN,
        .force_ended_s = NAN,
        .press_peak_kpa = NAN,
        .press_mean_kpa = NAN,
        .slurry_c = NAN,
        .strength_pct = NAN,
        .dissolved_pct = NAN,
        .beverage_g = NAN,
    };
    memset(model->share, 0, sizeof model->share);
    model->cup_liquid_g = model->cup_solids_g = model->liquid_g = model->solids_g = 0;
    model->dissolved_g = model->to_press_g = model->force_sum = 0;
    model->force_steps = 0;
    model->lifted_s = NAN;
    model->slurry_c = brew->room_c;
    model->bed_g = truth->dose_g = brew->ready_g;
}

static void begin_press(struct model *model)
{
    struct model_brew_truth *truth = truth_of(model);
    const struct model_brew *brew = brew_of(model);

    if (isnan(truth->force_began_s)) {
        double dry_g = truth->water_g - brew->retained_g_per_g * truth->dose_g;

        truth->force_began_s = model->now_s;
        truth->press_seen = borne(model, BREWER) > 0.5;
        truth->press_began_s = truth->press_seen || isnan(model->lifted_s) ? model->now_s : model->lifted_s;
        if (truth->press_began_s < model->now_s) /* what ran since then ran in the hand */
            truth->drip_g = model->lifted_drip_g;
        truth->slurry_c = model->slurry_c;
        model->to_press_g = fmax(0, dry_g - model->cup_liquid_g);
        mark(model, MODEL_STAGE_PRESS, truth->press_began_s);
    } else {
        unmark_weigh(model);
    }
}

static void begin_action(struct model *model, const struct model_action *action)
{
    struct model_brew_truth *truth;

    memcpy(model->start, model->share, sizeof model->start);
    if (action->kind == MODEL_DO_BREW)
        begin_brew(model);
    truth = truth_of(model);
    switch (action->kind) {
    case MODEL_DO_PUT:
        if ((action->things & MODEL_BREWER) && brew_of(model)->ready_g > 0 && isnan(truth->first_water_s))
            mark(model, MODEL_STAGE_DOSE, model->now_s);
        if ((action->things & MODEL_CUP) && !isnan(truth->force_ended_s) && !truth->press_seen && !truth->weighed)
            mark(model, MODEL_STAGE_WEIGH, model->now_s);
        break;
    case MODEL_DO_LIFT:
        if ((action->things & MODEL_BREWER) && isnan(truth->force_began_s) && borne(model, BREWER) > 0.5) {
            model->lifted_s = model->now_s; /* a brewer that is in the hand already is not lifted again */
            model->lifted_drip_g = truth->drip_g;
        }
        break;
    case MODEL_DO_COFFEE:
        model->poured_before_g = truth->dose_g;
        truth->dose_seen = true;
        mark(model, MODEL_STAGE_DOSE, model->now_s);
        break;
    case MODEL_DO_BLOOM:
    case MODEL_DO_POUR:
        model->poured_before_g = truth->water_g;
        if (isnan(truth->first_water_s)) {
            double at_once_g = truth->dose_g * brew_of(model)->extraction_at_once_pct / 100;

            truth->first_water_s = model->now_s;
            model->slurry_c = brew_of(model)->water_c;
            model->dissolved_g = model->solids_g = model->liquid_g = at_once_g;
            model->bed_g -= at_once_g;
        } else if (isnan(truth->second_pour_s)) {
            truth->second_pour_s = model->now_s;
        }
        mark(model, action->kind == MODEL_DO_BLOOM ? MODEL_STAGE_BLOOM : MODEL_STAGE_POUR, model->now_s);
        break;
    case MODEL_DO_STIR:
    case MODEL_DO_SWIRL:
        mark(model, MODEL_STAGE_STIR, model->now_s);
        break;
    case MODEL_DO_PRESS:
        begin_press(model);
        break;
    case MODEL_DO_TURN:
        truth->turned_over = true;
        break;
    case MODEL_DO_TARE:
        model->tare_key[action->scale] = true;
        if (action->scale == 0
            && model->truth.tare_count < (int)(sizeof model->truth.tared_s / sizeof *model->truth.tared_s))
            model->truth.tared_s[model->truth.tare_count++] = model->now_s;
        break;
    case MODEL_DO_KNOCK:
        model->ring_g = action->amount_g;
        break;
    case MODEL_DO_DRIFT:
        model->drift_before_g = model->drift_g;
        break;
    case MODEL_DO_ABANDON:
        truth->abandoned = true;
        break;
    default:
        break;
    }
}

/* A hand's unsteadiness: a random walk that comes back, of standard deviation 1 and a third of a second's memory. */
static double hand(struct model *model)
{
    const double keep = exp(-MODEL_STEP_S / 0.3);

    model->wobble = model->wobble * keep + gsl_ran_gaussian(model->random, sqrt(1 - keep * keep));
    return model->wobble;
}

static void press(struct model *model, const struct model_action *action)
{
    struct model_brew_truth *truth = truth_of(model);
    double left_s = action->duration_s - model->elapsed_s, force_g, area_m2, kpa;
    double radius_m = brew_of(model)->piston_diameter_mm / 2000;

    force_g = action->amount_g * (1 + 0.06 * hand(model))
              * fmin(smooth(model->elapsed_s / PRESS_RISE_S), smooth(left_s / (PRESS_RISE_S / 2)));
    force_g = fmax(0, force_g);
    area_m2 = M_PI * radius_m * radius_m;
    kpa = force_g / 1000 * GRAVITY / area_m2 / 1000;
    if (isnan(truth->press_peak_kpa) || kpa > truth->press_peak_kpa)
        truth->press_peak_kpa = kpa;
    model->force_sum += kpa;
    model->force_steps++;
    model->hand_g = force_g * borne(model, BREWER);
    run_through(model, action->share * model->to_press_g * MODEL_STEP_S / action->duration_s);
}

/* One step inside an action; x is the share of its time that has passed. */
static void act(struct model *model, const struct model_action *action, double x)
{
    struct model_brew_truth *truth = truth_of(model);
    double on_g = 0;

    switch (action->kind) {
    case MODEL_DO_PUT:
    case MODEL_DO_LIFT:
        for (int thing = 0; thing < MODEL_THINGS; thing++) {
            if (!(action->things & 1 << thing))
                continue;
            for (int scale = 0; scale < MODEL_SCALES; scale++) {
                double goal = action->kind == MODEL_DO_PUT && scale == action->scale;

                model->share[thing][scale] =
                    model->start[thing][scale] + (goal - model->start[thing][scale]) * smooth(x);
            }
            on_g += thing_g(model, thing);
        }
        if (action->kind == MODEL_DO_PUT && action->scale == 0) /* what lands pushes harder than it weighs */
            model->hand_g = 0.08 * on_g * sin(M_PI * smooth(x)) * smooth(x);
        break;
    case MODEL_DO_COFFEE: {
        double now_g = model->poured_before_g + action->amount_g * smooth(x);

        model->bed_g += now_g - truth->dose_g;
        truth->dose_g = now_g;
        break;
    }
    case MODEL_DO_BLOOM:
    case MODEL_DO_POUR: {
        double now_g = model->poured_before_g + action->amount_g * poured_share(x, action->duration_s);

        model->stream_g = (now_g - truth->water_g) / MODEL_STEP_S * STREAM_FALL_S;
        model->liquid_g += now_g - truth->water_g;
        truth->water_g = now_g;
        break;
    }
    case MODEL_DO_STIR: /* a spoon goes round twice a second and leans on the bed a little */
        model->hand_g = 3 + 4 * sin(2 * M_PI * 2.0 * model->elapsed_s) + 3 * hand(model);
        break;
    case MODEL_DO_SWIRL: /* hands hold and push all of it, round and round */
        model->hand_g = 35 * sin(2 * M_PI * 2.3 * model->elapsed_s) + 20 * hand(model);
        break;
    case MODEL_DO_PRESS:
        press(model, action);
        break;
    case MODEL_DO_LEAN:
        model->hand_g = action->amount_g * (1 + 0.1 * hand(model)) * fmin(smooth(x * 5), smooth((1 - x) * 5));
        break;
    case MODEL_DO_DRAUGHT:
        model->hand_g = action->amount_g * hand(model);
        break;
    case MODEL_DO_DRIFT:
        model->drift_g = model->drift_before_g + action->amount_g * x;
        break;
    default:
        break;
    }
}

static void weigh_if_alone(struct model *model)
{
    struct model_brew_truth *truth = truth_of(model);

    if (model->truth.brew_count == 0 || borne(model, CUP) < 0.99 || borne(model, BREWER) > 0.01)
        return;
    if (isnan(truth->first_water_s))
        truth->cup_seen_empty = true;
    if (isnan(truth->force_ended_s) || truth->weighed)
        return;
    truth->weighed = true;
    truth->cup_on_second = model->share[CUP][1] > 0.5;
    truth->beverage_g = model->cup_liquid_g;
    truth->strength_pct = model->cup_liquid_g > 0 ? 100 * model->cup_solids_g / model->cup_liquid_g : NAN;
    truth->dissolved_pct = truth->dose_g > 0 ? 100 * model->dissolved_g / truth->dose_g : NAN;
    mark(model, MODEL_STAGE_STRENGTH, model->now_s);
}

static void end_action(struct model *model, const struct model_action *action)
{
    struct model_brew_truth *truth = truth_of(model);

    switch (action->kind) {
    case MODEL_DO_PUT:
        if (action->things & MODEL_BREWER)
            model->lifted_s = NAN;
        weigh_if_alone(model);
        break;
    case MODEL_DO_LIFT:
        weigh_if_alone(model);
        break;
    case MODEL_DO_POUR:
        mark(model, MODEL_STAGE_STEEP, model->now_s);
        break;
    case MODEL_DO_STIR:
    case MODEL_DO_SWIRL:
        truth->last_stir_end_s = model->now_s;
        mark(model, MODEL_STAGE_SETTLE, model->now_s);
        break;
    case MODEL_DO_PRESS:
        truth->force_ended_s = model->now_s;
        truth->press_mean_kpa = model->force_sum / model->force_steps;
        if (truth->press_seen)
            mark(model, MODEL_STAGE_WEIGH, model->now_s);
        break;
    default:
        break;
    }
}

int model_begin(struct model *model, const struct model_script *script, unsigned long seed)
{
    memset(model, 0, sizeof *model);
    model->random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!model->random)
        return -1;
    gsl_rng_set(model->random, seed);
    model->script = script;
    model->action = -1;
    model->lifted_s = NAN;
    return 0;
}

void model_end(struct model *model)
{
    gsl_rng_free(model->random);
    model->random = NULL;
}

/* Goes on to the action of this moment: one that takes no time is over at once. */
static const struct model_action *current_action(struct model *model)
{
    while (!model->done) {
        const struct model_action *action;

        if (model->action >= 0) {
            action = &model->script->action[model->action];
            if (model->elapsed_s < action->duration_s - MODEL_STEP_S / 2)
                return action;
            act(model, action, 1);
            model->hand_g = model->stream_g = 0;
            end_action(model, action);
        }
        model->action++;
        model->elapsed_s = 0;
        if (model->action >= model->script->action_count)
            model->done = true;
        else
            begin_action(model, &model->script->action[model->action]);
    }
    return NULL;
}

void model_step(struct model *model, bool hold)
{
    const struct model_action *action = NULL;
    bool stirred = false;

    memset(model->tare_key, 0, sizeof model->tare_key);
    model->hand_g = model->stream_g = 0;
    if (!hold)
        action = current_action(model);
    model->now_s += MODEL_STEP_S;
    if (action) {
        model->elapsed_s += MODEL_STEP_S;
        stirred = action->kind == MODEL_DO_STIR || action->kind == MODEL_DO_SWIRL;
        act(model, action, model->elapsed_s / action->duration_s);
    }
    let_pass(model, stirred);
    for (int scale = 0; scale < MODEL_SCALES; scale++) {
        model->load_g[scale] = 0;
        for (int thing = 0; thing < MODEL_THINGS; thing++)
            model->load_g[scale] += model->share[thing][scale] * thing_g(model, thing);
    }
    /* Hands, blows, draughts and drift are felt by the station's scale. */
    model->load_g[0] += model->hand_g + model->stream_g + model->ring_g + model->drift_g;
}
