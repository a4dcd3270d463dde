/* Reads the pieces of the signal as a brew: which stage began when, and what was weighed.
 *
 * A pure function of everything seen since the scale was last empty; it runs again whenever more is
 * known, so it needs no memory of its own guesses.  It knows coffee, not scales. */
#include <string.h>

#include "poise/brew.h"
#include "poise/uncertainty.h"
#include "tracker_parts.h"

/* The ranges of a single cup (common practice, no source). */
static const double EMPTY_G = 25; /* below: nothing but a spoon or a spill stands there */
static const double THING_G = 45; /* a cup, a brewer, a plunger; more than any dose */
static const double DOSE_LEAST_G = 4, DOSE_MOST_G = 45;
static const double BLOOM_LEAST_G = 24.5, ANOTHER_DOSE_G = 9;
static const double WATER_LEAST_G = 8;        /* a flow below this is a spill */
static const double RATIO_LEAST = 6.5;        /* water per coffee; below, the "dose" was the bloom */
static const double PLANNED_SHARE = 0.2;      /* unless about so much coffee was planned, or entered */
static const double BLOOM_MOST_SHARE = 0.42;  /* of all the water */
static const int64_t BLOOM_WAIT_US = 6000000; /* sooner, it was one pour with a pause */
static const double THINNED_SHARE = 0.5; /* coffee is thinned with less than so much of the water it was made with */
static const double BREWER_LEAST_G = 60; /* what must be missing when only the cup comes back */
static const double STIR_LEAST_G = 1.2;  /* how far a spoon moves the reading */
static const int64_t STIR_LEAST_US = 1200000;
static const int64_t STIR_PAUSE_US = 2000000; /* a shorter pause is within one stir */
static const int64_t STIR_SOON_US = 5000000;  /* sooner after a pour, the spoon may have leaned on its end */
static const double SAME_G = 6;               /* all came back but for a drop */
/* After time enough to press beside the scale, a known cup that is full may weigh about what the brewer did: so much
 * may have gone as steam, more would be the cup. */
static const double SAME_LATE_G = 1;
static const double LEAST_CUP_G = 60;            /* the lightest cup */
static const int64_t PRESS_BESIDE_US = 11000000; /* taken away, pressed, brought back: not done sooner */
static const int64_t DOUBT_US = 20000000;        /* and so long when it may be another, empty cup */
static const int64_t WEIGHED_US = 3000000;       /* the cup has stood so long: weighed */
static const int64_t PUT_DOWN_US = 1000000;      /* still for less, it was a pause of the hand or of the filter */
static const double TOUCH_WIDE_G = 200;          /* handled no wider than this, the cup still stands there */
static const int64_t STEEP_LEAST_US =
    35000000; /* poured out sooner it was given up, not pressed (common practice, no source) */
static const int64_t AWAY_US = 900000000; /* a brew taken away for a quarter of an hour comes not back */

void story_say(struct reader *reader, enum stage stage, int64_t at_us, double u_s)
{
    struct story *out = reader->out;

    if (out->count == STEPS)
        return;
    u_s = story_begin_u_s(reader->tracker, stage, u_s);
    out->step[out->count++] = (struct step){ at_us, (float)u_s, (unsigned char)stage, false };
}

static void setup_anew(struct reader *reader)
{
    reader->dose_from_g = reader->cup_g = reader->first_thing_g = NAN;
    reader->dose_us = reader->thing_us = 0;
    reader->things = 0;
}

static double u_of_time(const struct act *act)
{
    return (double)act->piece->begin_u_s;
}

/* How far a pour went is sure where the load came to rest; a spoon may lean on its end. */
static void poured_until(struct reader *reader, const struct act *act)
{
    reader->poured_to_g = act->after_g;
    reader->steeped_us = act->end_us;
    reader->water_u_g = hypot(hypot(reader->water_u_g, reader->poured_to_u_g), act->before_u_g);
    reader->poured_to_u_g = act->after_u_g;
    reader->unrested = !act->open && !act->rest_after;
    reader->leaned_us = act->open ? 0 : act->end_us;
}

static void first_water(struct reader *reader, const struct act *act)
{
    struct story *out = reader->out;

    reader->phase = PHASE_WATER;
    reader->water_from_g = act->before_g;
    reader->first_water_g = reader->poured_g = act->after_g - act->before_g;
    reader->pour_ended_us = act->open ? 0 : act->end_us;
    poured_until(reader, act);
    reader->first_ended_us = reader->pour_ended_us;
    reader->pours = 1;
    out->brewing = true;
    out->first_water_us = act->begin_us;
    out->began_us = act->begin_us;
    if (!isnan(reader->dose_from_g)) {
        out->measures.value[MEASURE_DOSE_G] = act->before_g - reader->dose_from_g;
        reader->dose_u_g = hypot(reader->dose_from_u_g, act->before_u_g);
        out->began_us = reader->dose_us;
        story_say(reader, STAGE_DOSE, reader->dose_us, u_of_time(act));
    } else if (reader->thing_us) { /* it came with the brewer */
        out->began_us = reader->thing_us;
        story_say(reader, STAGE_DOSE, reader->thing_us, u_of_time(act));
    }
    story_say(reader, STAGE_POUR, act->begin_us, u_of_time(act));
}

/* More than a dose often is, faster than coffee is weighed in: the coffee came with the brewer. */
static bool is_bloom_like(const struct reader *reader, const struct act *act)
{
    double grams = act->after_g - act->before_g, seconds = (double)(act->end_us - act->begin_us) / 1e6;
    double planned_g = reader->tracker->plan.target[MEASURE_DOSE_G];

    return grams > (isnan(planned_g) ? BLOOM_LEAST_G : planned_g * 1.3) && seconds > 1.5 && grams / seconds > 4.5;
}

static void in_setup(struct reader *reader, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    bool dosed = !isnan(reader->dose_from_g) && act->before_g - reader->dose_from_g >= DOSE_LEAST_G;

    if (act->after_g - reader->zero_g < EMPTY_G && act->before_g - reader->zero_g >= EMPTY_G) {
        setup_anew(reader);
        return;
    }
    if (act->flow && (grams > DOSE_MOST_G || is_bloom_like(reader, act) || (dosed && grams > WATER_LEAST_G))
        && act->before_g - reader->zero_g > EMPTY_G) {
        first_water(reader, act);
        return;
    }
    if (fabs(grams) >= THING_G) {
        if (grams > 0 && ++reader->things == 1 && act->before_g - reader->zero_g < EMPTY_G)
            reader->first_thing_g = grams;
        else if (grams > 0 && reader->things == 2)
            reader->cup_g = reader->first_thing_g; /* something stands on it: it was the cup */
        if (grams > 0)
            reader->thing_us = act->begin_us;
        if (grams < 0)
            reader->dose_from_g = NAN; /* what was weighed may have gone with it */
        return;
    }
    if (grams >= DOSE_LEAST_G && grams <= DOSE_MOST_G && isnan(reader->dose_from_g)
        && act->before_g - reader->zero_g > EMPTY_G) {
        reader->dose_from_g = act->before_g;
        reader->dose_from_u_g = act->before_u_g;
        reader->dose_us = act->begin_us;
    } else if (!isnan(reader->dose_from_g) && act->after_g - reader->dose_from_g < DOSE_LEAST_G / 2) {
        reader->dose_from_g = NAN; /* taken back */
    }
}

static void another_pour(struct reader *reader, const struct act *act)
{
    double grams = act->after_g - act->before_g;

    if (grams < WATER_LEAST_G / 2)
        return;
    reader->poured_g += grams;
    reader->pours++;
    if (!reader->second_water_us)
        reader->second_water_us = act->begin_us;
    if (reader->pour_ended_us)
        story_say(reader, STAGE_STEEP, reader->pour_ended_us, u_of_time(act));
    story_say(reader, STAGE_POUR, act->begin_us, u_of_time(act));
    reader->pour_ended_us = act->open ? 0 : act->end_us;
    poured_until(reader, act);
}

void story_end_pour(struct reader *reader, double u_s)
{
    if (reader->pour_ended_us)
        story_say(reader, STAGE_STEEP, reader->pour_ended_us, u_s);
    reader->pour_ended_us = 0;
}

static void pressed_on_scale(struct reader *reader, const struct act *act)
{
    if (!reader->press.seen) {
        story_end_pour(reader, u_of_time(act));
        story_say(reader, STAGE_PRESS, act->begin_us, u_of_time(act));
        reader->out->press_began_us = act->begin_us;
        reader->full_g = act->before_g;
    } else if (reader->out->count && reader->out->step[reader->out->count - 1].stage == STAGE_WEIGH) {
        reader->out->count--;
    }
    press_add(&reader->press, act->piece);
    reader->phase = PHASE_PRESSED;
    if (act->open)
        return;
    reader->out->press_ended_us = reader->press.ended_us;
    story_say(reader, STAGE_WEIGH, reader->press.ended_us, u_of_time(act));
}

/* The cup stands alone and is weighed. */
static void weighed(struct reader *reader, const struct act *act)
{
    const struct signal *signal = &reader->tracker->signal;

    if (!act->rest_after)
        return;
    story_say(reader, STAGE_STRENGTH, act->end_us, u_of_time(act));
    reader->phase = PHASE_WEIGHED;
    reader->weighed_g = act->after_g - reader->zero_g;
    reader->weighed_u_g = act->after_u_g;
    reader->out->out_us = act->end_us;
    reader->out->wait_us = act->end_us + WEIGHED_US;
    if (signal->rest_since_us > act->end_us && signal->rest_since_us < reader->out->wait_us)
        reader->out->wait_us = signal->rest_since_us + WEIGHED_US; /* it came to rest only then */
    if (!reader->press.seen && !reader->tracker->gauge.began_us && reader->tracker->now_us >= reader->out->wait_us)
        reader->out->wait_us += DOUBT_US - WEIGHED_US;
}

/* Nobody saw the press: was it an empty cup that came, for another brew?  A brewer is put on it, a dose goes in, or
 * more water than anybody thins coffee with. */
static bool is_another_brew(const struct reader *reader, const struct act *act)
{
    double grams = act->after_g - act->before_g;

    if (act->flow && grams >= BLOOM_LEAST_G)
        return isnan(reader->cup_g) && grams > THINNED_SHARE * reader->poured_g;
    return grams > THING_G || (!act->open && grams > ANOTHER_DOSE_G && grams < BLOOM_LEAST_G);
}

/* Another brew begins, or nothing came back: who let it steep has pressed it elsewhere, and its cup was never weighed.
 */
static void never_weighed(struct reader *reader, int64_t over_us)
{
    struct story *out = reader->out;

    while (out->count && out->step[out->count - 1].stage >= STAGE_PRESS)
        out->count--;
    reader->phase = PHASE_AWAY;
    out->out_us = out->wait_us = out->press_began_us = 0;
    out->over_us = over_us;
    if (reader->away_us - reader->steeped_us < STEEP_LEAST_US) {
        out->nothing = true;
        return;
    }
    story_end_pour(reader, 0);
    story_say_lifted(reader, reader->away_us);
    out->over = true;
}

/* The cup is looked at again, or goes. */
static void after_weighing(struct reader *reader, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    bool unseen = !reader->press.seen && !reader->tracker->gauge.began_us;

    if (unseen && !reader->left_weighing && is_another_brew(reader, act)) {
        never_weighed(reader, reader->back_us - 1);
        return;
    }
    if (unseen && act->open && grams > -DOSE_LEAST_G && act->high_g - act->low_g < TOUCH_WIDE_G)
        return; /* what comes of it is not seen yet */
    if (!reader->left_weighing && act->begin_us - reader->out->out_us < PUT_DOWN_US && fabs(grams) < THING_G
        && act->high_g - act->low_g < TOUCH_WIDE_G) {
        if (act->rest_after)
            reader->weighed_g = act->after_g - reader->zero_g;
        return;
    }
    if (fabs(grams) >= DOSE_LEAST_G || act->high_g - act->low_g >= TOUCH_WIDE_G)
        reader->left_weighing = true;
    else if (!reader->left_weighing && act->rest_after) {
        reader->weighed_g = act->after_g - reader->zero_g;
        reader->weighed_u_g = act->after_u_g;
    }
}

/* The brewer is lifted with all that was poured, and the cup stays; or it comes back, as it was or emptied. */
static void look_after_brewer(struct reader *reader, const struct act *act)
{
    double grams = act->after_g - act->before_g;

    if (-grams > reader->poured_g + THING_G) {
        reader->brewer_us = act->begin_us;
        reader->full_g = act->before_g;
    } else if (reader->brewer_us && act->rest_after && act->after_g > reader->full_g - reader->poured_g / 2) {
        reader->brewer_us = 0;
    } else if (reader->brewer_us && act->rest_after && grams > 0) {
        reader->out->nothing = true;
        reader->out->over_us = act->begin_us - 1;
    }
}

static void in_water(struct reader *reader, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    double wide_g =
        fmax(act->high_g - fmax(act->before_g, act->after_g), fmin(act->before_g, act->after_g) - act->low_g);

    if (act->flow) {
        another_pour(reader, act);
        return;
    }
    if ((act->force || press_is_steady(grams)) && press_is_denied(reader->tracker, act))
        return;
    if (act->force) {
        pressed_on_scale(reader, act);
        return;
    }
    if (act->after_g - reader->zero_g < EMPTY_G) {
        story_end_pour(reader, u_of_time(act));
        reader->phase = PHASE_AWAY;
        if (!reader->brewer_us)
            reader->full_g = act->before_g;
        reader->away_us = reader->brewer_us ? reader->brewer_us : act->begin_us;
        return;
    }
    if (press_is_steady(grams)) { /* a hand that holds still, so far */
        story_end_pour(reader, u_of_time(act));
        story_say(reader, STAGE_PRESS, act->begin_us, u_of_time(act));
        reader->out->press_began_us = reader->press.began_us = act->begin_us;
        reader->press.seen = true;
        reader->full_g = act->before_g;
        reader->phase = PHASE_PRESSED;
        return;
    }
    if (fabs(grams) >= THING_G) {
        look_after_brewer(reader, act);
        reader->leaned_us = 0;
        if (grams > 100 && isnan(reader->cup_g) && reader->things < 2)
            reader->cup_g = grams; /* upside down on a brewer that stands on its plunger */
        return;
    }
    if (!act->open && reader->leaned_us && act->begin_us - reader->leaned_us < STIR_SOON_US) {
        if (fabs(act->after_g - reader->poured_to_g) > STIR_LEAST_G) { /* less has gone as steam */
            reader->poured_g += act->after_g - reader->poured_to_g;
            reader->poured_to_g = act->after_g;
            reader->poured_to_u_g = act->after_u_g;
        }
        reader->unrested &= !act->rest_after;
        reader->leaned_us = act->end_us;
    }
    if (act->end_us - act->begin_us >= STIR_LEAST_US && wide_g >= STIR_LEAST_G) {
        story_end_pour(reader, u_of_time(act));
        if (reader->stir_ended_us && act->begin_us - reader->stir_ended_us < STIR_PAUSE_US)
            reader->out->count--;
        else
            story_say(reader, STAGE_STIR, act->begin_us, u_of_time(act));
        reader->stir_ended_us = act->end_us;
        if (!act->open)
            story_say(reader, STAGE_SETTLE, act->end_us, u_of_time(act));
    }
}

static void pressed(struct reader *reader, const struct act *act)
{
    if (press_forget_lean(reader, act->begin_us)) {
        in_water(reader, act);
        return;
    }
    reader->out->wait_us = 0;
    if (act->force) {
        pressed_on_scale(reader, act);
        return;
    }
    if (act->after_g - reader->zero_g < EMPTY_G) {
        reader->phase = PHASE_AWAY;
        reader->away_us = act->begin_us;
        return;
    }
    if (act->before_g - act->after_g >= BREWER_LEAST_G && reader->full_g - act->after_g >= BREWER_LEAST_G)
        weighed(reader, act);
}

/* Everything was lifted off and something is put down.  Is it the cup alone, full: was it pressed
 * beside the scale?  Or did all of it come back, turned over perhaps, perhaps with the cup that was
 * not there before?  Or has another brew begun? */
enum comeback { BACK_CUP, BACK_ALL, BACK_WITH_CUP, BACK_OTHER };

static enum comeback what_came_back(const struct reader *reader, const struct act *act)
{
    double load_g = act->after_g - reader->zero_g, more_g = act->after_g - reader->full_g;
    double expected_g = story_expected_beverage_g(reader), cup_g = story_cup_of(reader, load_g, NULL);
    bool soon = act->begin_us - reader->away_us < PRESS_BESIDE_US;

    if (fabs(more_g) < (soon ? SAME_G : fmax(SAME_LATE_G, 2 * reader->tracker->signal.resolution_g))
        && (soon || !isnan(cup_g)))
        return BACK_ALL;
    if (!isnan(cup_g) && story_is_likely_beverage(reader, load_g - cup_g))
        return BACK_CUP;
    if (more_g > THING_G && soon)
        return BACK_WITH_CUP;
    if (soon || story_is_empty_cup(reader, load_g)
        || (!isnan(reader->cup_g)
            && (load_g < reader->cup_g + expected_g / 2
                || load_g > reader->cup_g + expected_g + THINNED_SHARE * reader->poured_g)))
        return BACK_OTHER;
    return load_g > LEAST_CUP_G + 0.7 * expected_g ? BACK_CUP : BACK_OTHER;
}

static void away(struct reader *reader, const struct act *act)
{
    if (act->after_g - reader->zero_g < EMPTY_G || !act->rest_after)
        return;
    if (!reader->press.seen) {
        switch (what_came_back(reader, act)) {
        case BACK_WITH_CUP:
            reader->cup_g = act->after_g - reader->full_g;
            reader->phase = PHASE_WATER;
            return;
        case BACK_ALL:
            reader->phase = PHASE_WATER;
            return;
        case BACK_OTHER:
            never_weighed(reader, act->begin_us - 1);
            return;
        case BACK_CUP:
            story_end_pour(reader, u_of_time(act));
            story_say_lifted(reader, reader->away_us);
            story_say(reader, STAGE_WEIGH, act->begin_us, u_of_time(act));
        }
    }
    reader->back_us = act->begin_us;
    weighed(reader, act);
}

/* What had been taken for the dose was the bloom, when the water is too little for it. */
static void check_ratio(struct reader *reader)
{
    struct story *out = reader->out;
    double dose_g = out->measures.value[MEASURE_DOSE_G], planned_g = reader->tracker->plan.target[MEASURE_DOSE_G];

    if (!isnan(reader->tracker->entered.value[MEASURE_DOSE_G]))
        planned_g = reader->tracker->entered.value[MEASURE_DOSE_G];
    if (isnan(dose_g) || !out->press_began_us || reader->poured_g >= RATIO_LEAST * dose_g
        || fabs(dose_g - planned_g) < PLANNED_SHARE * planned_g)
        return;
    reader->poured_g += dose_g;
    reader->first_water_g = dose_g;
    reader->first_ended_us = 0; /* that pour was taken for the dose: nobody looked when it ended */
    reader->second_water_us = out->first_water_us;
    out->first_water_us = reader->dose_us;
    out->measures.value[MEASURE_DOSE_G] = NAN;
    out->step[0].stage = STAGE_POUR;
    if (!reader->thing_us || out->count == STEPS)
        return;
    memmove(&out->step[1], &out->step[0], (size_t)out->count * sizeof out->step[0]);
    out->count++;
    out->step[0].stage = STAGE_DOSE;
    out->step[0].at_us = out->began_us = reader->thing_us;
}

static void name_bloom(struct reader *reader)
{
    struct story *out = reader->out;

    if (!reader->second_water_us || reader->first_water_g > BLOOM_MOST_SHARE * reader->poured_g
        || reader->second_water_us - reader->first_ended_us < BLOOM_WAIT_US)
        return;
    for (int i = 0; i < out->count; i++) {
        if (out->step[i].stage != STAGE_POUR)
            continue;
        out->step[i].stage = STAGE_BLOOM;
        if (i + 1 < out->count && out->step[i + 1].stage == STAGE_STEEP) { /* the wait is part of it */
            out->count--;
            memmove(&out->step[i + 1], &out->step[i + 2], (size_t)(out->count - i - 1) * sizeof out->step[0]);
        }
        break;
    }
    out->measures.value[MEASURE_BLOOM_S] = (double)(reader->second_water_us - out->first_water_us) / 1e6;
}

void story_read(struct story *out, const struct tracker *tracker)
{
    struct act act[ACTS];
    struct reader reader = {
        .tracker = tracker, .out = out, .dose_from_g = NAN, .first_thing_g = NAN, .cup_g = NAN, .full_g = NAN
    };
    int count = acts_gather(&tracker->signal, act);
    const struct piece *last;

    memset(out, 0, sizeof *out);
    measures_clear(&out->measures);
    last = tracker->signal.count ? &tracker->signal.piece[tracker->signal.count - 1] : NULL;
    out->load_g = last ? (double)last->last_g : signal_load_g(&tracker->signal);
    reader.zero_g = isnan(tracker->signal.zero_g) ? 0 : tracker->signal.zero_g;
    for (int i = 0; i < count && !out->nothing && !out->over; i++) {
        switch (reader.phase) {
        case PHASE_SETUP:
            in_setup(&reader, &act[i]);
            break;
        case PHASE_WATER:
            in_water(&reader, &act[i]);
            break;
        case PHASE_PRESSED:
            pressed(&reader, &act[i]);
            break;
        case PHASE_AWAY:
            away(&reader, &act[i]);
            break;
        case PHASE_WEIGHED:
            after_weighing(&reader, &act[i]);
            break;
        }
    }
    if (!out->brewing) {
        if (last && !isnan(reader.dose_from_g)) {
            story_set(&out->measures, MEASURE_DOSE_G, signal_load_g(&tracker->signal) - reader.dose_from_g, NAN);
            out->began_us = reader.dose_us;
        }
        return;
    }
    if (!last || last->kind == PIECE_REST)
        press_forget_lean(&reader, tracker->now_us);
    second_weigh(&reader);
    if (reader.phase == PHASE_WATER)
        story_end_pour(&reader, 0.1);
    check_ratio(&reader);
    if (reader.phase == PHASE_WEIGHED)
        story_take_beverage(&reader);
    name_bloom(&reader);
    story_use_gauge(&reader);
    story_measure(&reader);
    if (reader.phase == PHASE_AWAY && !out->wait_us && !out->over)
        out->wait_us = reader.away_us + AWAY_US;
    if (reader.phase == PHASE_WEIGHED && !out->nothing && !out->over) {
        out->over = reader.left_weighing || tracker->now_us >= out->wait_us;
        out->over_us = out->out_us;
    }
    if (reader.phase == PHASE_AWAY && !out->nothing && !out->over && tracker->now_us >= out->wait_us) {
        out->over_us = reader.away_us;
        if (reader.press.seen)
            out->over = true;
        else
            never_weighed(&reader, reader.away_us);
    }
}
