/* The families: each is one situation of a kitchen, as changes to the usual bench, scale and ways.  Not for what hands
 * then do. */
#include "kitchen_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef void for_session(struct kitchen_session *session);
typedef void for_brew(struct kitchen_session *session, struct ways *ways);

struct family_row {
    struct kitchen_family shown;
    double rate_hz;          /* 0: any of the usual */
    int division, exponent;  /* of the scale; 0: the usual */
    for_session *instrument; /* changes the usual scale further */
    for_brew *ways;          /* changes the usual ways */
    enum disturbance disturbance;
    for_session *meanwhile; /* adds what else goes on */
};

/* ---- the usual ---- */

static void usual_scale(struct kitchen_session *session, struct kitchen_scale *scale)
{
    static const double rates[] = { 5, 8, 10, 12.5, 16, 20, 25, 40, 50 };
    double kind = draw(session, 0, 1);

    *scale = (struct kitchen_scale){ .rate_hz = rates[draw_int(session, 0, 8)],
                                     .division = 1,
                                     .exponent = chance(session, 0.25) ? -2 : -1,
                                     .filter_s = draw_log(session, 0.04, 0.28),
                                     .second_filter_s = draw_log(session, 0.03, 0.15),
                                     .filter = kind < 0.5    ? KITCHEN_ONE_POLE
                                               : kind < 0.7  ? KITCHEN_TWO_POLES
                                               : kind < 0.85 ? KITCHEN_MEAN
                                                             : KITCHEN_ADAPTIVE,
                                     .capacity_g = chance(session, 0.5) ? 3000 : 5000,
                                     .flags_stable = chance(session, 0.5),
                                     .lost = chance(session, 0.3) ? 0.004 : 0,
                                     .tare_delay_s = draw(session, 0.05, 0.4),
                                     .tare_waits = chance(session, 0.5),
                                     .off_s = NAN,
                                     .on_s = NAN,
                                     .on_zero_g = NAN };
    if (scale->filter == KITCHEN_MEAN)
        scale->filter_s = draw(session, 0.1, 0.5);
    /* one that shows when it is stable is quiet enough for it */
    scale->noise_g =
        kitchen_division_g(scale) * (scale->flags_stable ? draw(session, 0.05, 0.2) : draw(session, 0.1, 0.5));
}

static void set_division(struct kitchen_session *session, int division, int exponent)
{
    struct kitchen_scale *scale = &session->scale[0];

    scale->division = division;
    scale->exponent = exponent;
    scale->noise_g = kitchen_division_g(scale) * draw(session, 0.05, 0.35);
}

static void wash_up(struct kitchen_session *session)
{
    struct kitchen_script *script = session->script;

    if (script->on[THING_CUP] < 0 && session->cup_count && chance(session, 0.8)) {
        script->mass_g[THING_CUP] = session->cup_g[draw_int(session, 0, session->cup_count - 1)];
        script->mass_g[THING_CUP] += draw(session, -0.1, 0.1);
    } else if (script->on[THING_CUP] < 0) {
        script->mass_g[THING_CUP] = draw(session, 160, 450);
    }
    script->mass_g[THING_BREWER] = draw(session, 120, 260);
    script->mass_g[THING_PLUNGER] = draw(session, 45, 110);
    script->mass_g[THING_LID] = draw(session, 15, 45);
    script->mass_g[THING_SPOON] = draw(session, 10, 50);
}

/* ---- ways ---- */

static void never_weighed(struct kitchen_session *session, struct ways *ways)
{
    ways->arrangement = CUP_FIRST;
    ways->beside = false;
    ways->ending = CUP_NEVER_WEIGHED;
    ways->epilogue = chance(session, 0.7) ? NEXT_CUP_INSTEAD : TIDY;
    ways->epilogue_gap_s = draw(session, 2, 25);
}

static void never_back(struct kitchen_session *session, struct ways *ways)
{
    ways->arrangement = chance(session, 0.7) ? CUP_FIRST : TOGETHER;
    ways->beside = true;
    ways->ending = CUP_NEVER_BACK;
}

static void with_lid(struct kitchen_session *session, struct ways *ways)
{
    ways->lid_after_s = draw(session, 0.8, 5);
    ways->plunger_at_once = false;
    if (ways->stir == STIR_SPOON)
        ways->stir = STIR_SWIRL;
}

static void any_flow(struct kitchen_session *session, struct ways *ways)
{
    ways->flow_g_per_s = draw_log(session, 2, 45);
    ways->ramp_s = draw(session, 0.1, 1);
}

static void in_pulses(struct kitchen_session *session, struct ways *ways)
{
    if (chance(session, 0.5))
        ways->bloom_g = 0;
    ways->pulses = draw_int(session, 2, 5);
    ways->pulse_gap_s = draw(session, 3, 15);
    ways->flow_g_per_s = draw_log(session, 5, 18);
}

static void pour_after_tare(struct kitchen_session *session, struct ways *ways)
{
    ways->dose_ready = false;
    ways->tare_dose = true;
    ways->tare_to_pour_s = draw(session, 0.2, 1);
}

static void always_tares(struct kitchen_session *session, struct ways *ways)
{
    ways->tare_dose = true;
    ways->tare_brewer = chance(session, 0.8);
    ways->tare_cup = chance(session, 0.4);
}

static void abrupt_pour(struct kitchen_session *session, struct ways *ways)
{
    ways->ramp_s = draw(session, 0.01, 0.06);
    ways->flow_g_per_s = draw_log(session, 8, 35);
}

static void dose_in_parts(struct kitchen_session *session, struct ways *ways)
{
    ways->dose_ready = false;
    ways->dose_g = draw(session, 12, 30);
    ways->water_g = ways->dose_g * draw(session, 13, 16);
    ways->bloom_g = ways->bloom_g > 0 ? ways->dose_g * 2 : 0;
    ways->dose_tips = draw_int(session, 2, 3);
    ways->tip_gap_s = draw(session, 0.8, 6);
    ways->tip_s = draw(session, 0.3, 2);
}

static void dose_in_clumps(struct kitchen_session *session, struct ways *ways)
{
    ways->dose_ready = false;
    ways->clumps = true;
    ways->tip_s = draw(session, 0.5, 6);
}

static void evaporating(struct kitchen_session *session, struct ways *ways)
{
    ways->steep_s = draw(session, 240, 600);
    ways->evaporation_g_per_s = draw(session, 0.015, 0.02);
}

static void cups_apart(struct kitchen_session *session, struct ways *ways)
{
    ways->epilogue = chance(session, 0.6) ? NEXT_CUP_SOON : WRONG_CUP_FIRST;
}

static void next_beside(struct kitchen_session *session, struct ways *ways)
{
    (void)session;
    ways->epilogue = NEXT_CUP_BESIDE;
}

static void parked(struct kitchen_session *session, struct ways *ways)
{
    ways->epilogue = chance(session, 0.6) ? BREWER_PARKED : BREWER_PARKED_FIRST;
}

static void spoon_left(struct kitchen_session *session, struct ways *ways)
{
    if (ways->arrangement == UPSIDE_DOWN)
        ways->arrangement = CUP_FIRST;
    ways->plunger_at_once = false;
    ways->stir = STIR_SPOON;
    ways->stirs = 1;
    ways->spoon_stays = true;
    ways->bloom_stirred = false;
    ways->steep_s = fmax(ways->steep_s, 60);
    (void)session;
}

static void taken_at_once(struct kitchen_session *session, struct ways *ways)
{
    ways->cup_alone_s = draw(session, 0.9, 1.8);
}

static void any_cup(struct kitchen_session *session, struct ways *ways)
{
    (void)ways;
    if (session->script->on[THING_CUP] < 0)
        session->script->mass_g[THING_CUP] = draw_log(session, 60, 900);
}

static void on_second(struct kitchen_session *session, struct ways *ways)
{
    ways->cup_shown_on_second = chance(session, 0.5);
    if (ways->arrangement == UPSIDE_DOWN)
        ways->arrangement = CUP_FIRST;
    ways->weigh_on_second = ways->cup_shown_on_second || chance(session, 0.7);
}

static void press_seen(struct ways *ways)
{
    ways->beside = false;
    ways->ending = CUP_WEIGHED;
}

static void any_force(struct kitchen_session *session, struct ways *ways)
{
    press_seen(ways);
    ways->push.peak_g = draw_log(session, 200, 10000);
    ways->push.seconds = draw(session, 8, 50);
}

static void two_goes(struct kitchen_session *session, struct ways *ways)
{
    press_seen(ways);
    ways->goes = 2;
    ways->goes_gap_s = draw(session, 0.6, 4);
    ways->push.seconds = draw(session, 6, 20);
}

static void held_still(struct kitchen_session *session, struct ways *ways)
{
    press_seen(ways);
    ways->push.wander = ways->push.growth = 0;
    ways->push.rise_s = draw(session, 0.15, 0.5);
    ways->push.power = 1;
}

static void rocking(struct kitchen_session *session, struct ways *ways)
{
    press_seen(ways);
    ways->push.wander = draw(session, 0.3, 0.6);
    ways->push.least_hz = 0.4;
    ways->push.most_hz = 2;
}

/* Whoever owns such a scale waits until it shows something. */
static void waits_for_rest(struct kitchen_session *session, struct ways *ways)
{
    (void)session;
    ways->rest_least_s = 2.8;
    ways->rest_most_s = 7;
    ways->cup_alone_s = fmax(4, ways->cup_alone_s);
    ways->plunger_to_press_s = fmax(2.8, ways->plunger_to_press_s);
}

static void hurried(struct kitchen_session *session, struct ways *ways)
{
    (void)session;
    ways->rest_least_s = 1.6;
    ways->rest_most_s = 2.4;
    ways->cup_alone_s = fmax(2, ways->cup_alone_s / 2);
}

/* ---- scales ---- */

static void one_pole(struct kitchen_session *session)
{
    session->scale[0].filter = KITCHEN_ONE_POLE;
    session->scale[0].filter_s = draw(session, 0.28, 0.6);
}

static void two_poles(struct kitchen_session *session)
{
    session->scale[0].filter = KITCHEN_TWO_POLES;
    session->scale[0].filter_s = draw(session, 0.1, 0.35);
    session->scale[0].second_filter_s = draw(session, 0.1, 0.35);
}

static void moving_mean(struct kitchen_session *session)
{
    session->scale[0].filter = KITCHEN_MEAN;
    session->scale[0].filter_s = draw(session, 0.5, 1);
}

static void only_stable(struct kitchen_session *session)
{
    session->scale[0].only_stable = true;
    session->scale[0].noise_g = kitchen_division_g(&session->scale[0]) * draw(session, 0.05, 0.15);
}

static void zero_tracking(struct kitchen_session *session)
{
    session->scale[0].zero_tracking = true;
}

static void creeping(struct kitchen_session *session)
{
    session->scale[0].creep_g_per_s = draw(session, 0.02, 0.05);
    session->scale[0].creep_tau_s = draw(session, 10, 30);
}

static void bunched(struct kitchen_session *session)
{
    session->scale[0].bunch_least_s = 0.05;
    session->scale[0].bunch_most_s = draw(session, 0.1, 0.3);
}

static void losing(struct kitchen_session *session)
{
    session->scale[0].lost = 0.02;
}

static void sliding_tare(struct kitchen_session *session)
{
    session->scale[0].tare_slide_s = draw(session, 0.2, 1);
}

static void two_scales(struct kitchen_session *session)
{
    session->scale_count = 2;
    usual_scale(session, &session->scale[1]);
}

/* ---- meanwhile ---- */

/* The scale goes off by itself while the first brew steeps, and somebody switches it on again. */
static void switch_off(struct kitchen_session *session)
{
    const struct kitchen_script *script = session->script;
    struct kitchen_scale *scale = &session->scale[0];

    for (int i = 0; i < script->quiet_count; i++) {
        struct quiet quiet = script->quiet[i];

        if (quiet.brewing && quiet.from_s > session->brew[0].first_water_s && quiet.to_s - quiet.from_s > 12) {
            scale->off_s = quiet.from_s + draw(session, 2, 4);
            scale->on_s = fmin(quiet.to_s - 4, scale->off_s + draw(session, 4, 30));
            scale->on_zero_g = chance(session, 0.6) ? 0 : draw(session, -300, 300);
            session->script->now_s = scale->off_s;
            record(session, "the scale switches itself off until %.1f s", scale->on_s);
            session->script->now_s = session->end_s;
            return;
        }
    }
}

static void long_steep(struct kitchen_session *session, struct ways *ways)
{
    ways->steep_s = draw(session, 60, 240);
}

/* ---- the table ---- */

static const struct family_row families[] = {
    { .shown = { "ordinary", "5 to 50 readings a second, up to 0.1 g, all ordinary ways", KITCHEN_ORDINARY } },

    { .shown = { "cup-never-weighed", "pressed on the scale, cup taken with the brewer, the next one set down instead",
                 KITCHEN_WAYS },
      .ways = never_weighed },
    { .shown = { "cup-never-back", "pressed beside, and the cup never comes back", KITCHEN_WAYS }, .ways = never_back },
    { .shown = { "lid", "a lid of 15 to 45 g within seconds of the pour", KITCHEN_WAYS }, .ways = with_lid },
    { .shown = { "any-flow", "pours from 2 to 45 g/s", KITCHEN_WAYS }, .ways = any_flow },
    { .shown = { "pulses", "two to five pours", KITCHEN_WAYS }, .ways = in_pulses },
    { .shown = { "pour-after-tare", "the pour begins within a second of a tare", KITCHEN_WAYS },
      .ways = pour_after_tare },
    { .shown = { "slow-tare", "a tare shows values in between for 0.2 to 1 s", KITCHEN_WAYS },
      .instrument = sliding_tare,
      .ways = always_tares },
    { .shown = { "abrupt-pour", "the full flow at once", KITCHEN_WAYS }, .ways = abrupt_pour },
    { .shown = { "dose-in-parts", "a dose of up to 30 g tipped in two or three times", KITCHEN_WAYS },
      .ways = dose_in_parts },
    { .shown = { "dose-in-clumps", "coffee that falls in clumps", KITCHEN_WAYS }, .ways = dose_in_clumps },

    { .shown = { "rate-2", "two readings a second", KITCHEN_COARSE }, .rate_hz = 2 },
    { .shown = { "rate-3", "three readings a second", KITCHEN_COARSE }, .rate_hz = 3 },
    { .shown = { "rate-5", "five readings a second", KITCHEN_INSTRUMENTS }, .rate_hz = 5 },
    { .shown = { "rate-10", "ten readings a second", KITCHEN_INSTRUMENTS }, .rate_hz = 10 },
    { .shown = { "rate-20", "twenty readings a second", KITCHEN_INSTRUMENTS }, .rate_hz = 20 },
    { .shown = { "rate-50", "fifty readings a second", KITCHEN_INSTRUMENTS }, .rate_hz = 50 },
    { .shown = { "division-0.01", "shows 0.01 g", KITCHEN_INSTRUMENTS }, .division = 1, .exponent = -2 },
    { .shown = { "division-0.1", "shows 0.1 g", KITCHEN_INSTRUMENTS }, .division = 1, .exponent = -1 },
    { .shown = { "division-0.5", "shows steps of 0.5 g", KITCHEN_INSTRUMENTS }, .division = 5, .exponent = -1 },
    { .shown = { "division-1", "shows 1 g", KITCHEN_COARSE }, .division = 1, .exponent = 0 },
    { .shown = { "division-2", "shows steps of 2 g", KITCHEN_COARSE }, .division = 2, .exponent = 0 },
    { .shown = { "one-pole", "a first-order filter of 0.28 to 0.6 s", KITCHEN_INSTRUMENTS }, .instrument = one_pole },
    { .shown = { "two-poles", "two filters, one behind the other", KITCHEN_INSTRUMENTS }, .instrument = two_poles },
    { .shown = { "moving-mean", "a moving mean of 0.5 to 1 s", KITCHEN_INSTRUMENTS }, .instrument = moving_mean },
    { .shown = { "only-stable", "readings only at rest", KITCHEN_INSTRUMENTS },
      .instrument = only_stable,
      .ways = waits_for_rest },
    { .shown = { "zero-tracking", "what rests near zero becomes zero", KITCHEN_INSTRUMENTS },
      .instrument = zero_tracking,
      .ways = always_tares },
    { .shown = { "creep", "a load cell that creeps by 0.02 to 0.05 g/s at first", KITCHEN_INSTRUMENTS },
      .instrument = creeping },
    { .shown = { "switch-off", "off by itself in mid-steep, and back with another zero", KITCHEN_INSTRUMENTS },
      .ways = long_steep,
      .meanwhile = switch_off },
    { .shown = { "bunches", "lines late by 50 to 300 ms, several at once", KITCHEN_INSTRUMENTS },
      .instrument = bunched },
    { .shown = { "lost-lines", "2 % of the lines lost", KITCHEN_INSTRUMENTS }, .instrument = losing },
    { .shown = { "hurried-at-2", "two readings a second and quick hands: the last before a movement belongs to it",
                 KITCHEN_COARSE },
      .rate_hz = 2,
      .ways = hurried },

    { .shown = { "grinder", "a grinder runs on the same table: 0.3 g of shaking", KITCHEN_BENCH },
      .disturbance = GRINDER },
    { .shown = { "leaning", "somebody leans on the scale for 1 to 2 s", KITCHEN_BENCH }, .disturbance = LEANING },
    { .shown = { "knocks", "knocks against the table", KITCHEN_BENCH }, .disturbance = KNOCKS },
    { .shown = { "cloth", "a cloth wipes over the scale's edge for 1 to 2 s", KITCHEN_BENCH }, .disturbance = CLOTH },
    { .shown = { "draught", "moving air", KITCHEN_BENCH }, .disturbance = DRAUGHT },
    { .shown = { "evaporation", "up to 0.02 g/s over up to ten minutes", KITCHEN_BENCH }, .ways = evaporating },
    { .shown = { "cups-apart", "another cup one second after or before", KITCHEN_BENCH }, .ways = cups_apart },
    { .shown = { "next-cup-beside", "the next cup set down beside the full one", KITCHEN_BENCH }, .ways = next_beside },
    { .shown = { "parked-brewer", "the brewer parked on the scale", KITCHEN_BENCH }, .ways = parked },
    { .shown = { "spoon-left", "a spoon of 10 to 50 g left in", KITCHEN_BENCH }, .ways = spoon_left },
    { .shown = { "taken-at-once", "the full cup stands for 0.9 to 1.8 s", KITCHEN_BENCH }, .ways = taken_at_once },
    { .shown = { "any-cup", "cups of 60 to 900 g", KITCHEN_BENCH }, .ways = any_cup },
    { .shown = { "second-scale", "the cup is weighed on a scale of its own", KITCHEN_BENCH },
      .instrument = two_scales,
      .ways = on_second },

    { .shown = { "any-press", "pressed with 0.2 to 10 kg", KITCHEN_PRESSES }, .ways = any_force },
    { .shown = { "two-goes", "pressed, let go, pressed again", KITCHEN_PRESSES }, .ways = two_goes },
    { .shown = { "held-still", "a press without any movement", KITCHEN_PRESSES }, .ways = held_still },
    { .shown = { "rocking", "a rocking hand", KITCHEN_PRESSES }, .ways = rocking },

    { .shown = { "rate-250", "250 readings a second", KITCHEN_FAST }, .rate_hz = 250 },
    { .shown = { "rate-500", "500 readings a second", KITCHEN_FAST }, .rate_hz = 500 },

    { .shown = { "bench-leaning", "people lean on an empty scale", KITCHEN_NO_BREW } },
    { .shown = { "bench-knocks", "knocks", KITCHEN_NO_BREW } },
    { .shown = { "bench-cloth", "a cloth", KITCHEN_NO_BREW } },
    { .shown = { "bench-grinder", "a grinder on the table", KITCHEN_NO_BREW } },
    { .shown = { "bench-cups", "cups set down and taken away", KITCHEN_NO_BREW } },
    { .shown = { "bench-dishes", "dishes of all kinds", KITCHEN_NO_BREW } },
    { .shown = { "bench-draughts", "moving air", KITCHEN_NO_BREW } },
    { .shown = { "bench-drift", "a zero that drifts by some grams", KITCHEN_NO_BREW } },
    { .shown = { "bench-kettle", "a kettle filled on the scale", KITCHEN_NO_BREW } },
    { .shown = { "bench-beans", "beans weighed for the grinder", KITCHEN_NO_BREW } },
};

int kitchen_family_count(void)
{
    return (int)(sizeof families / sizeof *families);
}

const struct kitchen_family *kitchen_family(int family)
{
    return &families[family].shown;
}

int kitchen_family_find(const char *name)
{
    for (int i = 0; i < kitchen_family_count(); i++)
        if (!strcmp(families[i].shown.name, name))
            return i;
    return -1;
}

bool kitchen_seed_unread(unsigned long seed)
{
    return seed % 2 == 1;
}

const char *kitchen_stage_name(enum kitchen_stage stage)
{
    static const char *const names[KITCHEN_STAGES] = { "dose",   "bloom", "pour",  "steep",   "stir",
                                                       "settle", "press", "weigh", "strength" };

    return names[stage];
}

/* ---- a session ---- */

/* The name and not the place in the table: a new family leaves the others' readings as they are.  FNV-1a. */
static unsigned long seed_of(int family, unsigned long seed, const char *use)
{
    uint32_t hash = 2166136261u;

    for (const char *text = families[family].shown.name; *text; text++)
        hash = (hash ^ (unsigned char)*text) * 16777619u;
    for (const char *text = use; *text; text++)
        hash = (hash ^ (unsigned char)*text) * 16777619u;
    for (int i = 0; i < 4; i++)
        hash = (hash ^ (unsigned char)(seed >> 8 * i)) * 16777619u;
    return hash;
}

static void set_station(struct kitchen_session *session)
{
    session->piston_mm = 60;
    session->press_limit_kpa = 40;
    session->retained_g_per_g = 2;
    session->cup_count = chance(session, 0.25) ? draw_int(session, 1, KITCHEN_CUPS) : 0;
    for (int i = 0; i < session->cup_count; i++)
        session->cup_g[i] = round(10 * draw(session, 160, 450)) / 10;
    session->planned_dose_g = session->planned_water_g = NAN;
}

static void play_brews(struct kitchen_session *session, const struct family_row *row)
{
    struct kitchen_script *script = session->script;
    int brews = draw_int(session, 1, 3);

    rest(session, draw(session, 4, 12), false);
    for (int i = 0; i < brews && !script->out_of_memory; i++) {
        struct ways ways;

        wash_up(session);
        usual_ways(session, &ways);
        if (row->ways)
            row->ways(session, &ways);
        if (i == 0 && chance(session, 0.3)) { /* planned: a little beside the target */
            session->planned_dose_g = round(ways.dose_g + draw(session, -0.3, 0.3));
            session->planned_water_g = round((ways.water_g + draw(session, -3, 3)) / 5) * 5;
        } else if (!isnan(session->planned_dose_g)) {
            ways.dose_g = session->planned_dose_g + draw(session, -0.4, 0.4);
            ways.water_g = session->planned_water_g + draw(session, -4, 4);
        }
        brew(session, &ways);
        if (i < brews - 1)
            rest(session, ways.ending == CUP_NEVER_BACK ? draw(session, 90, 400) : draw(session, 12, 60), false);
        else /* long enough for whoever waits for a cup */
            rest(session, ways.ending == CUP_WEIGHED ? draw(session, 60, 120) : 1200, false);
        if (script->on[THING_CUP] < 0 && i < brews - 1 && chance(session, 0.4)) {
            touch_tare(session, 0);
            rest(session, draw(session, 2, 5), false);
        }
    }
}

static int by_time(const void *a, const void *b)
{
    const struct script_line *one = a, *other = b;

    return (one->at_s > other->at_s) - (one->at_s < other->at_s);
}

/* By how much a ramp comes late. */
static double lag_of(const struct kitchen_scale *scale)
{
    return scale->filter == KITCHEN_TWO_POLES ? scale->filter_s + scale->second_filter_s
           : scale->filter == KITCHEN_MEAN    ? scale->filter_s / 2
                                              : scale->filter_s;
}

struct kitchen_session *kitchen_open(int family, unsigned long seed, double hours)
{
    const struct family_row *row = &families[family];
    struct kitchen_session *session = calloc(1, sizeof *session);
    struct kitchen_script *script = calloc(1, sizeof *script);

    if (session)
        session->script = script;
    if (!session || !script || !(script->random = gsl_rng_alloc(gsl_rng_taus2))) {
        free(script);
        free(session);
        return NULL;
    }
    session->family = family;
    session->seed = seed;
    session->noise_seed = seed_of(family, seed, "noise");
    session->scale_count = 1;
    gsl_rng_set(script->random, seed_of(family, seed, "hands"));
    for (int i = 0; i < THINGS; i++)
        script->on[i] = -1;
    script->landing_least_s = draw(session, 0.12, 0.3);
    script->landing_most_s = script->landing_least_s + draw(session, 0.1, 0.6);
    script->orders_tares = chance(session, 0.3);
    set_station(session);
    usual_scale(session, &session->scale[0]);
    if (row->rate_hz > 0)
        session->scale[0].rate_hz = row->rate_hz;
    if (row->division)
        set_division(session, row->division, row->exponent);
    if (row->instrument)
        row->instrument(session);
    session->lag_s = chance(session, 0.4) ? lag_of(&session->scale[0]) : 0;
    if (row->shown.kind == KITCHEN_NO_BREW)
        bench_hours(session, hours);
    else
        play_brews(session, row);
    session->end_s = script->now_s;
    disturb(session, row->disturbance);
    if (row->meanwhile)
        row->meanwhile(session);
    if (script->out_of_memory) {
        kitchen_close(session);
        return NULL;
    }
    qsort(script->line, (size_t)script->line_count, sizeof *script->line, by_time);
    return session;
}

void kitchen_close(struct kitchen_session *session)
{
    if (!session)
        return;
    gsl_rng_free(session->script->random);
    free(session->script->force);
    free(session->script->line);
    free(session->script->quiet);
    free(session->script->tare);
    free(session->script);
    free(session);
}

bool kitchen_line(const struct kitchen_session *session, int index, char out[KITCHEN_LINE])
{
    const struct script_line *line = &session->script->line[index];

    if (index >= session->script->line_count)
        return false;
    snprintf(out, KITCHEN_LINE, "%8.2f s  %s", line->at_s, line->text);
    return true;
}
