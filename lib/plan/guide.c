/* What to do now; see guide.h.  The run is read in guide_run.c; numbers and units become words in guide_words.c.
 * How a stage is recognised is the daemon's, not known here. */
#include "poise/guide.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "guide_parts.h"
#include "poise/plan.h"

static const double STANDS_THERE_G = 20;   /* the lightest cup or brewer weighs more (common practice, no source) */
static const double ADDING_G = 0.3;        /* the least that is no noise on scales that show tenths */
static const double FLOWS_G_PER_S = 0.3;   /* below it the water has stopped: drips and drift */
static const double WATER_LEAST_G = 5;     /* less is a splash, drift or a hand: no brew goes on with it */
static const double UNSAID = 0.01;         /* a mass without a tolerance is right within 1 %: nobody asked for more */
static const double EDGE_G = 0.005;        /* 15.1 shown is within 15 ± 0.1, whatever its binary form is */
static const double SHORT_AT_PRESS = 0.05; /* a twentieth too little water does not hold up a press that is due */
static const double BLOOM_MORE = 0.5;      /* half as much again as planned is no bloom any more, but the pour */
static const double SOON_S = 10;           /* the bell before the press: time to reach for the plunger */
static const double STIR_S = 10;           /* where a plan stirs and gives no time (common practice, no source) */
static const double UNSEEN_S = 15;         /* so long after its time a stir is still asked for, then it was missed */
static const double LATE_S = 3;            /* a hand needs that long to begin: no word about it before */

/* What the run asks for, in numbers; NAN: nothing. */
struct asked {
    double dose_g, dose_within_g, water_g, water_within_g, bloom_g, bloom_within_g, bloom_s;
    double steep_s, steep_within_s, settle_s, press_s, press_kpa, press_within_kpa, beverage_g, beverage_within_g;
    double stir_at_s, stir_s;
    char stir[GUIDE_WORD]; /* how; empty: not */
};

struct guiding {
    const struct guide_run *run;
    const struct guide_state *state;
    const struct guide_units *units;
    struct asked asked;
    struct guide *out;
    bool coffee_in; /* before a brew: it is weighed, water comes next */
};

void guide_state_clear(struct guide_state *state)
{
    memset(state, 0, sizeof *state);
    state->stage_s = state->water_s = state->press_s = state->stir_began_s = state->stirred_s = NAN;
    state->load_g = state->coffee_g = state->dose_g = state->water_g = state->flow_g_per_s = NAN;
    state->press_kpa = state->beverage_g = state->limit_kpa = state->asked_steep_s = NAN;
    state->decimals = 1;
}

/* ---- what is asked ---- */

/* "10 s spoon" is ten seconds with the spoon; "none", "no" and 0 are no stir. */
static void ask_stir(const struct guide_run *run, struct asked *asked)
{
    const struct guide_setting *stir = guide_run_setting(run, "stir");
    const char *word = stir ? stir->word : "";
    double seconds;
    char *end;

    asked->stir_at_s = guide_planned(run, "stir_at_s", NAN, NULL);
    asked->stir_s = guide_planned(run, "stir_s", NAN, NULL);
    seconds = strtod(word, &end);
    if (end != word && seconds > 0 && seconds < 3600 && strncmp(end + strspn(end, " "), "s", 1) == 0) {
        end += strspn(end, " ") + 1;
        asked->stir_s = isnan(asked->stir_s) ? seconds : asked->stir_s;
        word = end + strspn(end, " ");
        word = *word ? word : "spoon";
    }
    if (strcmp(word, "none") == 0 || strcmp(word, "no") == 0 || (stir && stir->number == 0))
        return;
    if (*word)
        snprintf(asked->stir, sizeof asked->stir, "%s", word);
    else if (stir || asked->stir_at_s >= 0 || asked->stir_s > 0 || guide_planned(run, "stirs", NAN, NULL) > 0)
        strcpy(asked->stir, "spoon");
    else if (guide_planned(run, "swirls", NAN, NULL) > 0)
        strcpy(asked->stir, "swirl");
}

static void ask(const struct guide_run *run, const struct guide_state *state, struct asked *asked)
{
    memset(asked, 0, sizeof *asked);
    asked->dose_g = guide_planned(run, "dose_g", NAN, &asked->dose_within_g);
    asked->water_g = guide_planned(run, "water_g", state->dose_g, &asked->water_within_g);
    asked->bloom_g = guide_planned(run, "bloom_g", NAN, &asked->bloom_within_g);
    asked->bloom_s = guide_planned(run, "bloom_s", NAN, NULL);
    asked->steep_s = guide_planned(run, "steep_s", NAN, &asked->steep_within_s);
    asked->settle_s = guide_planned(run, "settle_s", NAN, NULL);
    asked->press_s = guide_planned(run, "press_s", NAN, NULL);
    asked->press_kpa = guide_planned(run, "press_mean_kpa", NAN, &asked->press_within_kpa);
    if (isnan(asked->press_kpa))
        asked->press_kpa = guide_planned(run, "press_peak_kpa", NAN, &asked->press_within_kpa);
    asked->beverage_g = guide_planned(run, "beverage_g", NAN, &asked->beverage_within_g);
    if (isnan(asked->steep_s) && isnan(asked->settle_s))
        asked->steep_s = state->asked_steep_s;
    ask_stir(run, asked);
}

static double within(double target, double tolerance)
{
    return isnan(tolerance) ? target * UNSAID : tolerance;
}

static enum guide_side side_of(double now, double target, double tolerance)
{
    double most = within(target, tolerance) + EDGE_G;

    if (!(target > 0) || isnan(now))
        return GUIDE_NO_TARGET;
    return now < target - most ? GUIDE_BELOW : now > target + most ? GUIDE_ABOVE : GUIDE_RIGHT;
}

/* When the press is due, since first water; NAN: nothing gives it. */
static double press_at_s(const struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;

    if (asked->steep_s > 0)
        return asked->steep_s;
    return asked->settle_s >= 0 ? guiding->state->water_s - guiding->state->stirred_s + asked->settle_s : (double)NAN;
}

static bool blooms(const struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    double rest_g = asked->water_g - asked->bloom_g, room_g = isnan(rest_g) ? asked->bloom_g : rest_g;
    double tolerance_g = asked->bloom_within_g > 0 ? asked->bloom_within_g : 0;

    if (!(asked->bloom_g > 0) || room_g <= 0 || guiding->state->pours > 1 || guiding->state->stage > STAGE_STEEP)
        return false;
    return !(guiding->state->water_g > asked->bloom_g + fmax(tolerance_g, fmin(room_g, asked->bloom_g) * BLOOM_MORE));
}

/* The bloom has its water, and more is to come. */
static bool blooms_wet(const struct guiding *guiding)
{
    const struct guide_state *state = guiding->state;
    enum guide_side side = side_of(state->water_g, guiding->asked.bloom_g, guiding->asked.bloom_within_g);

    return blooms(guiding)
           && (state->stage == STAGE_STEEP || (side >= GUIDE_RIGHT && !(state->flow_g_per_s > FLOWS_G_PER_S)));
}

static double stir_due_s(const struct guiding *guiding)
{
    return guiding->asked.stir_at_s >= 0 ? guiding->asked.stir_at_s : 0;
}

/* A stir is planned, was not seen, and can still be seen. */
static bool stir_wanted(const struct guiding *guiding)
{
    const struct guide_state *state = guiding->state;
    double for_s = guiding->asked.stir_s > 0 ? guiding->asked.stir_s : STIR_S, since_s = 0;

    if (guiding->asked.stir_at_s >= 0)
        since_s = state->water_s - guiding->asked.stir_at_s;
    else if (state->stage == STAGE_STEEP) /* right after the pour */
        since_s = state->stage_s;
    return *guiding->asked.stir && state->stirs == 0 && !(since_s > for_s + UNSEEN_S)
           && !(state->water_s >= press_at_s(guiding));
}

static bool stir_missed(const struct guiding *guiding)
{
    return *guiding->asked.stir && guiding->state->stirs == 0 && !stir_wanted(guiding)
           && guiding->state->stage == STAGE_STEEP;
}

static bool lifted_off(const struct guide_state *state)
{
    return state->scale && !state->overload && state->load_g < STANDS_THERE_G;
}

/* ---- the number ---- */

static void number_time(struct guide_number *number, double seconds, const char *unit)
{
    guide_time(seconds, number->digits, sizeof number->digits);
    snprintf(number->unit, sizeof number->unit, "%s", unit);
}

static void number_mass(struct guiding *guiding, double now_g, const char *unit, double target_g, double tolerance_g)
{
    struct guide_number *number = &guiding->out->number;
    int decimals = guiding->state->decimals < 0 ? 0 : guiding->state->decimals > 3 ? 3 : guiding->state->decimals;
    char target[64];

    *number = (struct guide_number){ .share = NAN, .band_from = NAN, .band_to = NAN };
    snprintf(number->unit, sizeof number->unit, "%s", unit);
    number->side = side_of(now_g, target_g, tolerance_g);
    now_g = fabs(now_g) < 0.5 * pow(10, -decimals) ? 0 : now_g; /* no "-0.0" */
    if (isnan(now_g))
        strcpy(number->digits, "-");
    else
        snprintf(number->digits, sizeof number->digits, "%.*f", decimals, fmin(fmax(now_g, -9999), 99999));
    if (!(target_g > 0))
        return;
    number->share = isnan(now_g) ? 0 : now_g / target_g;
    target_g = isnan(tolerance_g) ? round(target_g * 10) / 10 : target_g; /* by a ratio it may have any digits */
    guide_amount(target_g, tolerance_g, target, sizeof target);
    decimals = decimals > 1 ? 1 : decimals;
    switch (number->side) {
    case GUIDE_ABOVE:
        snprintf(number->goal, sizeof number->goal, "%.*f g above %s g", decimals, now_g - target_g, target);
        break;
    case GUIDE_RIGHT:
        snprintf(number->goal, sizeof number->goal, "right: %s g", target);
        break;
    case GUIDE_BELOW:
        snprintf(number->goal, sizeof number->goal, "%.*f g to go of %s g", decimals, target_g - now_g, target);
        break;
    case GUIDE_NO_TARGET:
        snprintf(number->goal, sizeof number->goal, "target %s g", target);
    }
}

/* Down to a moment, and up behind it. */
static void number_until(struct guiding *guiding, double at_s, const char *what)
{
    struct guide_number *number = &guiding->out->number;
    double left_s = at_s - guiding->state->water_s;
    char at[16], unit[GUIDE_WORD];

    snprintf(unit, sizeof unit, left_s > 0 ? "to the %s" : "past the %s", what);
    number_time(number, left_s > 0 ? ceil(left_s - 1e-6) : -left_s, unit);
    number->share = guiding->state->water_s / at_s;
    number->side = left_s > 0 ? GUIDE_BELOW : -left_s < LATE_S ? GUIDE_RIGHT : GUIDE_ABOVE;
    snprintf(number->goal, sizeof number->goal, "%s at %s", what, guide_time(at_s, at, sizeof at));
}

/* ---- settings at their moment ---- */

static void set_moment(struct guiding *guiding, enum plan_moment moment)
{
    char words[160], *out = guiding->out->set;

    for (int varied = 1; varied >= 0; varied--) /* what differs from cup to cup comes first */
        for (int i = 0; i < guiding->run->settings; i++) {
            const struct guide_setting *setting = &guiding->run->setting[i];
            const struct plan_setting *known = plan_setting_find(setting->name);

            if (setting->varied != varied || (known ? known->moment : PLAN_BEFORE_DOSE) != moment)
                continue;
            guide_setting_words(setting, true, guiding->units, words, sizeof words);
            guide_add(out, GUIDE_TEXT, "%s%s", *out ? ", " : "", words);
        }
}

/* ---- instructions ---- */

static void instruct(struct guiding *guiding, const char *cue, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void instruct(struct guiding *guiding, const char *cue, const char *format, ...)
{
    va_list arguments;

    guiding->out->cue[0] = '\0';
    guide_add(guiding->out->cue, GUIDE_CUE, "%s", cue);
    va_start(arguments, format);
    vsnprintf(guiding->out->now, GUIDE_TEXT, format, arguments);
    va_end(arguments);
}

static const char *amount_g(double target_g, double tolerance_g, char *out, size_t size)
{
    char amount[64];

    if (isnan(tolerance_g))
        target_g = round(target_g * 10) / 10;
    snprintf(out, size, "%s g", guide_amount(target_g, tolerance_g, amount, sizeof amount));
    return out;
}

static void state_coffee(struct guiding *guiding, const char *before)
{
    const struct asked *asked = &guiding->asked;
    char amount[80];

    set_moment(guiding, PLAN_BEFORE_DOSE);
    if (asked->dose_g > 0)
        instruct(guiding, "Coffee", "%s %s of coffee.", before,
                 amount_g(asked->dose_g, asked->dose_within_g, amount, 80));
    else
        instruct(guiding, "Coffee", "%s the coffee.", before);
}

/* The first water is asked for: its amount large, the kettle's dangers once. */
static void state_first_water(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    bool bloom = asked->bloom_g > 0;
    double target_g = bloom ? asked->bloom_g : asked->water_g;
    char amount[80], cue[GUIDE_CUE] = "Pour";

    guiding->coffee_in = true;
    set_moment(guiding, PLAN_BEFORE_WATER);
    if (target_g > 0) {
        guide_add(cue, sizeof cue, " %.10g g", round(target_g * 10) / 10);
        instruct(guiding, cue, "Pour %s of water%s.",
                 amount_g(target_g, bloom ? asked->bloom_within_g : asked->water_within_g, amount, sizeof amount),
                 bloom ? " for the bloom" : "");
    } else {
        instruct(guiding, cue, "Pour the water.");
    }
    snprintf(guiding->out->caution, GUIDE_TEXT,
             "Near-boiling water scalds at once; keep a mains kettle dry, and wet hands off its plug.");
}

/* What becomes of a cup that cannot be this run any more. */
static const char *kept_words(double tolerance)
{
    return isnan(tolerance) ? "the cup counts with what it got" : "the cup is kept and its run repeated";
}

/* The water that goes with so much coffee in the planned ratio, and whether that is still the plan's water. */
static double water_for(const struct guiding *guiding, double coffee_g, bool *planned)
{
    const struct asked *asked = &guiding->asked;
    double water_g = asked->water_g / asked->dose_g * coffee_g;

    *planned = side_of(round(water_g), asked->water_g, asked->water_within_g) == GUIDE_RIGHT;
    return isnan(guide_planned(guiding->run, "ratio", NAN, NULL)) ? water_g : (double)NAN;
}

/* Coffee beyond its tolerance, before any water: out with it, or on to another run's dose, or more water. */
static void rescue_dose(struct guiding *guiding, double coffee_g)
{
    const struct asked *asked = &guiding->asked;
    double tolerance_g = within(asked->dose_g, asked->dose_within_g), water_g, other_g;
    bool planned;

    guide_add(guiding->out->rescue, GUIDE_TEXT, "Take %.1f g out", coffee_g - asked->dose_g);
    other_g = guide_open_near(guiding->run, "dose_g", coffee_g - tolerance_g, INFINITY);
    water_g = water_for(guiding, coffee_g, &planned);
    if (other_g > 0 && fabs(other_g - coffee_g) <= tolerance_g + EDGE_G)
        guide_add(guiding->out->rescue, GUIDE_TEXT, ", or keep it as the %g g cup", other_g);
    else if (other_g > 0)
        guide_add(guiding->out->rescue, GUIDE_TEXT, ", or add %.1f g: the %g g cup", other_g - coffee_g, other_g);
    if (water_g > 0)
        guide_add(guiding->out->rescue, GUIDE_TEXT, ", or pour %.0f g: that keeps the ratio%s", water_g,
                  planned ? " and the plan" : ", not the plan");
    guide_add(guiding->out->rescue, GUIDE_TEXT, ".");
}

/* Water runs on a dose that is not the planned one: the ratio can still be kept. */
static void rescue_dose_in_water(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    double dose_g = guiding->state->dose_g, water_g;
    enum guide_side side = side_of(dose_g, asked->dose_g, asked->dose_within_g);
    bool planned;

    if (side != GUIDE_ABOVE && side != GUIDE_BELOW)
        return;
    water_g = water_for(guiding, dose_g, &planned);
    if (water_g >= guiding->state->water_g || (water_g > 0 && isnan(guiding->state->water_g)))
        guide_add(guiding->out->rescue, GUIDE_TEXT, "%.1f g of coffee too %s: %.0f g of water keep the ratio; %s.",
                  fabs(dose_g - asked->dose_g), side == GUIDE_ABOVE ? "much" : "little", water_g,
                  kept_words(asked->dose_within_g));
}

static void guide_before(struct guiding *guiding)
{
    const struct guide_state *state = guiding->state;
    const struct asked *asked = &guiding->asked;
    bool adding = state->coffee_g >= ADDING_G;
    bool over = state->stage == STAGE_STRENGTH || state->stage == STAGE_DONE; /* the dose is in the cup that is over */
    double dose_g = over ? (double)NAN : state->dose_g, coffee_g = adding ? state->coffee_g : dose_g;
    enum guide_side side = side_of(coffee_g, asked->dose_g, asked->dose_within_g);
    bool weighed = !adding && dose_g > 0;

    number_mass(guiding, isnan(coffee_g) && state->tared ? 0 : coffee_g, "g of coffee in", asked->dose_g,
                asked->dose_within_g);
    if ((state->cup_left || (over && state->load_g >= STANDS_THERE_G)) && !adding && !weighed) {
        number_mass(guiding, state->beverage_g, "g in the cup", asked->beverage_g, asked->beverage_within_g);
        instruct(guiding, "Take the cup", "The cup is weighed: take it off.");
        set_moment(guiding, PLAN_AFTERWARDS);
        snprintf(guiding->out->caution, GUIDE_TEXT,
                 "Let the sample cool: hot liquid bursts out of a syringe filter, and harms a prism.");
    } else if (!state->scale && isnan(coffee_g)) {
        state_coffee(guiding, "Weigh");
    } else if (isnan(coffee_g) && !state->tared && !(state->load_g >= STANDS_THERE_G)) {
        set_moment(guiding, PLAN_BEFORE_DOSE);
        instruct(guiding, "Set up", "Put the cup and the brewer on the scale, and tare.");
    } else if (isnan(coffee_g) && !state->tared) {
        state_coffee(guiding, "Tare, then weigh");
    } else if (side == GUIDE_ABOVE) {
        state_coffee(guiding, "Weigh");
        rescue_dose(guiding, coffee_g);
    } else if (side == GUIDE_RIGHT || (side == GUIDE_NO_TARGET && weighed)) {
        state_first_water(guiding);
    } else {
        state_coffee(guiding, "Weigh");
    }
}

/* The water of an open run that varies the water, or the ratio; NAN: there is none from `least_g` on. */
static double other_water_g(const struct guiding *guiding, double least_g)
{
    double dose_g = guiding->state->dose_g > 0 ? guiding->state->dose_g : guiding->asked.dose_g;
    double water_g = guide_open_near(guiding->run, "water_g", least_g, INFINITY);
    double ratio = dose_g > 0 ? guide_open_near(guiding->run, "ratio", least_g / dose_g, INFINITY) : (double)NAN;

    return ratio > 0 && !(ratio * dose_g >= water_g) ? round(ratio * dose_g) : water_g;
}

/* Too much water: another run's cup, or a cup that is kept all the same. */
static void rescue_water(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    double water_g = guiding->state->water_g, other_g;
    double tolerance_g = within(asked->water_g, asked->water_within_g);

    if (side_of(water_g, asked->water_g, asked->water_within_g) != GUIDE_ABOVE || blooms(guiding))
        return;
    other_g = other_water_g(guiding, water_g - tolerance_g);
    guide_add(guiding->out->rescue, GUIDE_TEXT, "%.1f g too much: ", water_g - asked->water_g);
    if (fabs(other_g - water_g) <= tolerance_g + EDGE_G)
        guide_add(guiding->out->rescue, GUIDE_TEXT, "keep it as the %g g cup.", other_g);
    else if (other_g > 0)
        guide_add(guiding->out->rescue, GUIDE_TEXT, "pour on to %g g and it is the %g g cup.", other_g, other_g);
    else
        guide_add(guiding->out->rescue, GUIDE_TEXT, "brew on, %s.", kept_words(asked->water_within_g));
}

/* Too much in the bloom: what is poured on makes up for it. */
static void rescue_bloom(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    double water_g = guiding->state->water_g;

    if (!blooms(guiding) || side_of(water_g, asked->bloom_g, asked->bloom_within_g) != GUIDE_ABOVE)
        return;
    guide_add(guiding->out->rescue, GUIDE_TEXT, "%.1f g too much in the bloom: ", water_g - asked->bloom_g);
    if (asked->water_g > 0)
        guide_add(guiding->out->rescue, GUIDE_TEXT, "pour to %g g all the same; ",
                  isnan(asked->water_within_g) ? round(asked->water_g * 10) / 10 : asked->water_g);
    guide_add(guiding->out->rescue, GUIDE_TEXT, "%s.", kept_words(asked->bloom_within_g));
}

/* The press is due and some water is missing still: pour it, or let it be another cup. */
static void rescue_short(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    double water_g = guiding->state->water_g, other_g;
    double tolerance_g = within(asked->water_g, asked->water_within_g);

    if (side_of(water_g, asked->water_g, asked->water_within_g) != GUIDE_BELOW || blooms(guiding))
        return;
    other_g = other_water_g(guiding, water_g - tolerance_g);
    guide_add(guiding->out->rescue, GUIDE_TEXT, "%.1f g too little: ", asked->water_g - water_g);
    if (fabs(other_g - water_g) <= tolerance_g + EDGE_G)
        guide_add(guiding->out->rescue, GUIDE_TEXT, "keep it as the %g g cup, or pour them first.", other_g);
    else
        guide_add(guiding->out->rescue, GUIDE_TEXT, "pour them first, or press: %s.",
                  kept_words(asked->water_within_g));
}

/* A press that is past its time. */
static void rescue_late(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    double at_s = press_at_s(guiding), late_s = guiding->state->water_s - at_s, other_s;
    double tolerance_s = isnan(asked->steep_within_s) ? LATE_S : fmax(asked->steep_within_s, LATE_S);
    bool more = *guiding->out->rescue != '\0'; /* what becomes of the cup is there already */
    char planned[16], other[16];

    if (!(late_s > tolerance_s))
        return;
    guide_time(at_s, planned, sizeof planned);
    other_s = guide_open_near(guiding->run, "steep_s", guiding->state->water_s - tolerance_s, INFINITY);
    guide_add(guiding->out->rescue, GUIDE_TEXT, "%s%.0f s late for %s: ", more ? " " : "", late_s, planned);
    if (fabs(other_s - guiding->state->water_s) <= tolerance_s)
        guide_add(guiding->out->rescue, GUIDE_TEXT, "press now and it is the %g s cup.", other_s);
    else if (other_s > 0)
        guide_add(guiding->out->rescue, GUIDE_TEXT, "press at %s and it is the %g s cup, or now.",
                  guide_time(other_s, other, sizeof other), other_s);
    else if (more)
        guide_add(guiding->out->rescue, GUIDE_TEXT, "press now.");
    else if (!isnan(asked->steep_within_s))
        guide_add(guiding->out->rescue, GUIDE_TEXT, "press now, %s.", kept_words(asked->steep_within_s));
    else
        guide_add(guiding->out->rescue, GUIDE_TEXT, "press now, the cup counts with the time it had.");
}

static void state_press_due(struct guiding *guiding)
{
    set_moment(guiding, PLAN_BEFORE_PRESS);
    snprintf(guiding->out->caution, GUIDE_TEXT,
             "Straight down, slowly, on a sturdy, level cup: hot, and glass breaks.");
}

/* "20 ± 3 kPa for 30 s" */
static void add_press(const struct guiding *guiding, char *out, size_t size)
{
    const struct asked *asked = &guiding->asked;
    char words[80];

    if (asked->press_kpa > 0)
        guide_add(out, size, " with %s",
                  guide_pressure_words(asked->press_kpa, asked->press_within_kpa, guiding->units, words, sizeof words));
    if (asked->press_s > 0)
        guide_add(out, size, " for %g s", asked->press_s);
}

static void state_press_now(struct guiding *guiding)
{
    char how[120] = "";

    add_press(guiding, how, sizeof how);
    instruct(guiding, "Press", "Press now%s.", how);
    state_press_due(guiding);
    rescue_late(guiding);
    if (!*guiding->out->rescue)
        rescue_short(guiding);
}

static void guide_stir(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    bool swirl = strncmp(asked->stir, "swirl", 5) == 0, spoon = strcmp(asked->stir, "spoon") == 0;
    double left_s = asked->stir_s - guiding->state->stir_began_s;
    char cue[GUIDE_CUE], seconds[40] = "";

    snprintf(cue, sizeof cue, "%s", swirl ? "Swirl" : "Stir");
    if (asked->stir_s > 0) {
        guide_add(cue, sizeof cue, " %g s", asked->stir_s);
        snprintf(seconds, sizeof seconds, " for %g s", asked->stir_s);
    }
    if (guiding->state->stage == STAGE_STIR && !isnan(guiding->state->stir_began_s)) {
        number_time(&guiding->out->number, left_s > 0 ? ceil(left_s - 1e-6) : guiding->state->stir_began_s,
                    left_s > 0 ? "of stirring to go" : "stirred");
        guiding->out->number.share = guiding->state->stir_began_s / asked->stir_s;
        guiding->out->number.side = isnan(left_s) ? GUIDE_NO_TARGET : left_s > 0 ? GUIDE_BELOW : GUIDE_RIGHT;
        if (left_s <= 0) {
            instruct(guiding, "Stop", "Stop stirring.");
            return;
        }
    }
    if (swirl)
        instruct(guiding, cue, "Swirl%s: hold brewer and cup together.", seconds);
    else if (spoon)
        instruct(guiding, cue, "Stir%s with the spoon.", seconds);
    else if (!*asked->stir) /* seen, and in no plan: nothing is ordered */
        instruct(guiding, "Stirring", "Stirring.");
    else
        instruct(guiding, cue, "Stir%s: %s.", seconds, asked->stir);
}

/* Water that is missing comes before anything else; false: none is, or the press is due and little is. */
static bool guide_short(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    const struct guide_state *state = guiding->state;
    double missing_g = asked->water_g - state->water_g, at_s = press_at_s(guiding);
    char amount[80], cue[GUIDE_CUE];

    if (side_of(state->water_g, asked->water_g, asked->water_within_g) != GUIDE_BELOW || blooms(guiding)
        || (state->water_s >= at_s - SOON_S && missing_g <= SHORT_AT_PRESS * asked->water_g))
        return false;
    snprintf(cue, sizeof cue, "Pour %.0f g", missing_g);
    instruct(guiding, cue, "%.1f g are missing: pour to %s.", missing_g,
             amount_g(asked->water_g, asked->water_within_g, amount, sizeof amount));
    number_mass(guiding, state->water_g, "g of water in", asked->water_g, asked->water_within_g);
    return true;
}

static void guide_bloom_wait(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    char amount[80] = "", time[16];

    if (asked->water_g > 0)
        snprintf(amount, sizeof amount, " to ");
    if (asked->water_g > 0)
        amount_g(asked->water_g, asked->water_within_g, amount + 4, sizeof amount - 4);
    if (!(asked->bloom_s > 0)) {
        number_time(&guiding->out->number, guiding->state->water_s, "since first water");
        instruct(guiding, "Bloom", "Let it bloom, then pour%s.", amount);
        return;
    }
    number_until(guiding, asked->bloom_s, "pour");
    if (guiding->state->water_s < asked->bloom_s)
        instruct(guiding, "Bloom", "Let it bloom until %s, then pour%s.", guide_time(asked->bloom_s, time, sizeof time),
                 amount);
    else
        instruct(guiding, "Pour", "Pour now%s.", amount);
}

static void guide_wait(struct guiding *guiding)
{
    const struct guide_state *state = guiding->state;
    double at_s = press_at_s(guiding), stir_s = stir_due_s(guiding);
    bool lifted = lifted_off(state);
    char time[16], stir[16];

    if (!lifted && guide_short(guiding))
        return;
    rescue_water(guiding);
    if (!lifted && stir_wanted(guiding) && !(state->water_s < stir_s)) {
        number_until(guiding, at_s, "press");
        if (!(at_s > 0))
            number_time(&guiding->out->number, state->water_s, "since first water");
        guide_stir(guiding);
        return;
    }
    if (!(at_s > 0)) {
        guiding->out->number = (struct guide_number){ .share = NAN, .band_from = NAN, .band_to = NAN };
        number_time(&guiding->out->number, state->water_s, "since first water");
        instruct(guiding, "Wait",
                 lifted ? "Press beside the scale when it is time, then put the full cup back."
                        : "Wait; press when it is time.");
    } else {
        number_until(guiding, at_s, "press");
    }
    guide_time(at_s, time, sizeof time);
    if (lifted && state->water_s >= at_s)
        instruct(guiding, "Cup back", "Press beside the scale if that is not done, then put the full cup back.");
    else if (lifted && at_s > 0)
        instruct(guiding, "Wait", "Wait. Press at %s beside the scale, then put the full cup back.", time);
    else if (state->water_s >= at_s)
        state_press_now(guiding);
    else if (at_s > 0 && stir_wanted(guiding))
        instruct(guiding, "Wait", "Wait. Stir at %s.", guide_time(stir_s, stir, sizeof stir));
    else if (at_s > 0 && state->stage == STAGE_SETTLE)
        instruct(guiding, "Settle", "Let it settle until %s.", time);
    else if (at_s > 0)
        instruct(guiding, "Wait", "Wait until %s.", time);
    if (at_s - state->water_s <= SOON_S && at_s > state->water_s)
        state_press_due(guiding);
    if (stir_missed(guiding) && !*guiding->out->rescue)
        guide_add(guiding->out->rescue, GUIDE_TEXT, "No stir was seen: if it was done, mark it.");
}

static void guide_pour(struct guiding *guiding)
{
    const struct guide_state *state = guiding->state;
    const struct asked *asked = &guiding->asked;
    bool bloom = blooms(guiding);
    double target_g = bloom ? asked->bloom_g : asked->water_g;
    double tolerance_g = bloom ? asked->bloom_within_g : asked->water_within_g;
    enum guide_side side = side_of(state->water_g, target_g, tolerance_g);
    char amount[80], cue[GUIDE_CUE] = "Pour";

    if (blooms_wet(guiding)) {
        guide_bloom_wait(guiding);
        rescue_bloom(guiding);
        return;
    }
    number_mass(guiding, state->water_g, "g of water in", target_g, tolerance_g);
    rescue_water(guiding);
    rescue_bloom(guiding);
    if (!*guiding->out->rescue)
        rescue_dose_in_water(guiding);
    if (!(target_g > 0)) {
        instruct(guiding, cue, "Pour the water.");
        return;
    }
    amount_g(target_g, tolerance_g, amount, sizeof amount);
    guide_add(cue, sizeof cue, " to %.10g", round(target_g * 10) / 10);
    if (side == GUIDE_BELOW || side == GUIDE_NO_TARGET)
        instruct(guiding, cue, "Pour to %s%s.", amount, bloom ? " for the bloom" : "");
    else if (bloom || !(state->flow_g_per_s <= FLOWS_G_PER_S))
        instruct(guiding, "Stop", "Stop pouring: %s.",
                 side == GUIDE_RIGHT ? "the water is in" : "it is more than planned");
    else
        guide_wait(guiding);
    set_moment(guiding, PLAN_BEFORE_WATER);
}

static void number_press(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    const struct guide_state *state = guiding->state;
    struct guide_number *number = &guiding->out->number;
    double kpa = fmin(fmax(state->press_kpa, 0), 9999),
           scale = fmax(isnan(state->limit_kpa) ? 0 : state->limit_kpa, 1.5 * asked->press_kpa);
    double tolerance = asked->press_within_kpa;
    char words[80], *blank;

    guide_pressure_words(kpa, NAN, guiding->units, words, sizeof words);
    if ((blank = strchr(words, ' ')))
        *blank++ = '\0';
    snprintf(number->digits, sizeof number->digits, "%s%.13s", state->overload ? ">" : "", words);
    snprintf(number->unit, sizeof number->unit, "%s", blank ? blank : "");
    if (scale > 0)
        number->share = kpa / scale;
    if (asked->press_kpa > 0) {
        if (!isnan(tolerance)) {
            number->band_from = (asked->press_kpa - tolerance) / scale;
            number->band_to = (asked->press_kpa + tolerance) / scale;
        }
        tolerance = within(asked->press_kpa, isnan(tolerance) ? 0.15 * asked->press_kpa : tolerance);
        number->side = kpa > asked->press_kpa + tolerance   ? GUIDE_ABOVE
                       : state->overload                    ? GUIDE_NO_TARGET /* it is a lower bound */
                       : kpa < asked->press_kpa - tolerance ? GUIDE_BELOW
                                                            : GUIDE_RIGHT;
        guide_add(number->goal, sizeof number->goal, "%s",
                  guide_pressure_words(asked->press_kpa, asked->press_within_kpa, guiding->units, words, sizeof words));
    }
    if (kpa > state->limit_kpa) {
        number->side = GUIDE_ABOVE;
        number->goal[0] = '\0';
        guide_add(number->goal, sizeof number->goal, "too hard: limit %s",
                  guide_pressure_words(state->limit_kpa, NAN, guiding->units, words, sizeof words));
    } else if (!*number->goal && state->limit_kpa > 0) {
        guide_add(number->goal, sizeof number->goal, "limit %s",
                  guide_pressure_words(state->limit_kpa, NAN, guiding->units, words, sizeof words));
    }
}

static void guide_press(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;
    const struct guide_state *state = guiding->state;
    struct guide_number *number = &guiding->out->number;
    double pressed_s = isnan(state->press_s) ? state->stage_s : state->press_s, left_s = asked->press_s - pressed_s;
    char how[120] = "", time[16];

    state_press_due(guiding);
    if (lifted_off(state)) {
        number_time(number, pressed_s, "pressing");
        instruct(guiding, "Press", "Press beside the scale, then put the full cup back.");
        return;
    }
    if (isnan(state->press_kpa)) {
        number_time(number, left_s > 0 ? ceil(left_s - 1e-6) : pressed_s,
                    left_s > 0        ? "of pressing to go"
                    : state->overload ? "pressing, scale overloaded"
                                      : "pressing");
        number->share = pressed_s / asked->press_s;
    } else {
        number_press(guiding);
        if (asked->press_s > 0)
            guide_add(number->goal, sizeof number->goal, "%s%.0f s of %g s", *number->goal ? ", " : "",
                      floor(pressed_s), asked->press_s);
        else if (!isnan(pressed_s))
            guide_add(number->goal, sizeof number->goal, "%s%s pressed", *number->goal ? ", " : "",
                      guide_time(pressed_s, time, sizeof time));
    }
    add_press(guiding, how, sizeof how);
    if (left_s <= 0)
        instruct(guiding, "Stop", "Stop pressing: %g s.", asked->press_s);
    else if (!isnan(state->press_kpa) && number->side == GUIDE_ABOVE)
        instruct(guiding, "Ease off", "Press more gently%s%s.", *how ? ":" : "", how);
    else if (!isnan(state->press_kpa) && number->side == GUIDE_BELOW)
        instruct(guiding, "Harder", "Press harder:%s.", how);
    else
        instruct(guiding, "Press", "Press%s.", *how ? how : " slowly, straight down");
}

static void guide_weigh(struct guiding *guiding)
{
    const struct asked *asked = &guiding->asked;

    number_mass(guiding, guiding->state->beverage_g, "g in the cup", asked->beverage_g, asked->beverage_within_g);
    set_moment(guiding, PLAN_AFTERWARDS);
    if (lifted_off(guiding->state))
        instruct(guiding, "Cup back", "Put the full cup back on the scale.");
    else
        instruct(guiding, "Weigh cup", "Lift the brewer off and leave the full cup on the scale.");
}

/* ---- what comes ---- */

static enum stage next_stage(const struct guiding *guiding)
{
    switch (guiding->state->stage) {
    case STAGE_IDLE:
    case STAGE_STRENGTH:
    case STAGE_DONE:
        if (!guiding->coffee_in)
            return STAGE_DOSE;
        return guiding->asked.bloom_g > 0 || guiding->asked.bloom_s > 0 ? STAGE_BLOOM : STAGE_POUR;
    case STAGE_DOSE:
        return guiding->asked.bloom_g > 0 || guiding->asked.bloom_s > 0 ? STAGE_BLOOM : STAGE_POUR;
    case STAGE_BLOOM:
        return STAGE_POUR;
    case STAGE_POUR:
        if (guiding->state->water_g < WATER_LEAST_G)
            return STAGE_POUR; /* it has not begun */
        return blooms_wet(guiding) ? STAGE_POUR : STAGE_STEEP;
    case STAGE_STEEP:
        if (blooms(guiding) || guiding->state->water_g < WATER_LEAST_G
            || side_of(guiding->state->water_g, guiding->asked.water_g, guiding->asked.water_within_g) == GUIDE_BELOW)
            return STAGE_POUR;
        return stir_wanted(guiding) ? STAGE_STIR : STAGE_PRESS;
    case STAGE_STIR:
        return STAGE_SETTLE;
    case STAGE_SETTLE:
        return STAGE_PRESS;
    case STAGE_PRESS:
        return STAGE_WEIGH;
    case STAGE_WEIGH:
    case STAGE_COUNT:
        break;
    }
    return STAGE_DONE;
}

static void state_next(struct guiding *guiding)
{
    static const char *const words[STAGE_COUNT] = { "",       "coffee", "bloom", "pour",     "steep",          "stir",
                                                    "settle", "press",  "weigh", "strength", "the cup is done" };
    enum stage next = guiding->out->next_stage;
    double at_s = NAN;
    char time[16];

    if (next == STAGE_PRESS)
        at_s = press_at_s(guiding);
    else if (next == STAGE_STIR)
        at_s = guiding->asked.stir_at_s;
    else if (next == STAGE_POUR && blooms(guiding) && guiding->state->water_s >= 0)
        at_s = guiding->asked.bloom_s;
    snprintf(guiding->out->next, GUIDE_TEXT, "next: %s", words[next]);
    if (at_s > 0 && guiding->state->water_s >= 0)
        guide_add(guiding->out->next, GUIDE_TEXT, " at %s", guide_time(at_s, time, sizeof time));
}

/* When each moment comes, in seconds from now; below 0: it has come.  NAN: it does not. */
static double moment_in_s(const struct guiding *guiding, enum guide_moment moment)
{
    const struct guide_state *state = guiding->state;
    const struct asked *asked = &guiding->asked;
    bool waits = state->stage >= STAGE_BLOOM && state->stage <= STAGE_SETTLE && state->water_s >= 0;

    switch (moment) {
    case GUIDE_BLOOM_END:
        if (!waits || !blooms(guiding) || !(asked->bloom_s > 0)
            || (state->water_s >= asked->bloom_s && state->flow_g_per_s > FLOWS_G_PER_S)) /* it is poured already */
            return NAN;
        return asked->bloom_s - state->water_s;
    case GUIDE_STIR:
        if (!waits || !stir_wanted(guiding) || blooms(guiding)
            || (state->stage != STAGE_STEEP && !(asked->stir_at_s > 0)))
            return NAN;
        return stir_due_s(guiding) - state->water_s;
    case GUIDE_STIR_END:
        return state->stage == STAGE_STIR ? asked->stir_s - state->stir_began_s : (double)NAN;
    case GUIDE_PRESS_SOON:
        return waits ? press_at_s(guiding) - SOON_S - state->water_s : (double)NAN;
    case GUIDE_PRESS:
        return waits ? press_at_s(guiding) - state->water_s : (double)NAN;
    case GUIDE_PRESS_END:
        if (state->stage == STAGE_WEIGH)
            return 0;
        return state->stage == STAGE_PRESS ? asked->press_s - state->press_s : (double)NAN;
    case GUIDE_MOMENTS:
        break;
    }
    return NAN;
}

static void state_moments(struct guiding *guiding)
{
    struct guide *out = guiding->out;

    for (int moment = 0; moment < GUIDE_MOMENTS; moment++) {
        double in_s = moment_in_s(guiding, (enum guide_moment)moment);

        if (in_s <= 0) {
            out->moments |= 1U << moment;
        } else if (in_s > 0 && !(in_s >= out->change_s)) {
            out->change = (enum guide_moment)moment;
            out->change_s = in_s;
        }
    }
}

void guide_now(const struct guide_run *run, const struct guide_state *state, const struct guide_units *units,
               struct guide *out)
{
    struct guiding guiding = { .run = run, .state = state, .units = units, .out = out };

    memset(out, 0, sizeof *out);
    out->change = GUIDE_MOMENTS;
    out->change_s = out->number.share = out->number.band_from = out->number.band_to = NAN;
    ask(run, state, &guiding.asked);
    switch (state->stage) {
    case STAGE_BLOOM:
    case STAGE_POUR:
        guide_pour(&guiding);
        break;
    case STAGE_STEEP:
        if (blooms(&guiding)) {
            guide_bloom_wait(&guiding);
            rescue_bloom(&guiding);
        } else
            guide_wait(&guiding);
        break;
    case STAGE_STIR:
        number_time(&out->number, state->water_s, "since first water");
        guide_stir(&guiding);
        break;
    case STAGE_SETTLE:
        guide_wait(&guiding);
        break;
    case STAGE_PRESS:
        guide_press(&guiding);
        break;
    case STAGE_WEIGH:
        guide_weigh(&guiding);
        break;
    default:
        guide_before(&guiding);
        break;
    }
    out->next_stage = next_stage(&guiding);
    state_next(&guiding);
    state_moments(&guiding);
}
