/* The press: force on the scale, as far as a scale shows it, or pressure where an instrument shows it. */
#include "poise/uncertainty.h"
#include "tracker_parts.h"

/* A press lasts; a plunger set down hard or a knock does not. */
static const int64_t PRESS_LEAST_US = 1300000;

/* A hand wanders by more than this share of its force in a second; a thing put down does not. */
static const double HAND_WANDERS_PER_S = 0.03;

/* More than anything weighs that is put on a brewer, and how near the load comes back to what it was. */
static const double STEADY_LEAST_G = 600, SAME_G = 10;

/* A press begins where its force rises from, when that is so long after the load was first touched; the rise is
 * looked at above the weight of a blow that dies away. */
static const double RISE_LEAST_G = 40, RISE_S = 0.6;
static const int64_t APART_US = 200000;

/* A hand on the plunger; less is the weight of the plunger and the instrument's own zero (a kilogram on a
 * 60 mm piston is 3.5 kPa). */
static const double GAUGE_LEAST_KPA = 1.5;

static const double GAUGE_U_S = 0.1; /* how near the first indication of pressure is to the hand's begin */

/* A pressure instrument that says nothing for longer has nothing to add to a mean. */
static const double GAUGE_GAP_S = 1;

/* A hand leans in slowly at first: what it bears grows with the square of time, so its root is a line that begins
 * where the hand did.  A blow, a touch before that is none of it. */
void press_find_rise(const struct signal *signal, struct piece *piece)
{
    double n = 0, sum_t = 0, sum_x = 0, sum_tt = 0, sum_tx = 0, slope, rise_us, next_g = INFINITY;
    int64_t newest_us = seen_back(signal, 0)->at_us;

    for (uint32_t back = 0; back < seen_held(signal); back++) {
        const struct sample *sample = seen_back(signal, back);
        double above_g = (double)(sample->clear_g - piece->first_g), t = (double)(sample->at_us - newest_us) / 1e6;

        if (above_g < RISE_LEAST_G || above_g > next_g || sample->at_us < piece->begin_us)
            break;
        next_g = above_g;
        if (t < -RISE_S)
            break;
        n++;
        sum_t += t;
        sum_x += sqrt(above_g);
        sum_tt += t * t;
        sum_tx += t * sqrt(above_g);
    }
    if (n < 2)
        return;
    slope = (n * sum_tx - sum_t * sum_x) / (n * sum_tt - sum_t * sum_t);
    if (!(slope > 0))
        return;
    rise_us = (sum_t - sum_x / slope) / n * 1e6; /* from the newest; of a force that hardly grows, ages ago */
    if (rise_us > (double)(piece->begin_us - newest_us + APART_US) && rise_us < 0)
        piece->again_us = newest_us + (int64_t)rise_us;
}

bool press_is_steady(double grams)
{
    return grams >= STEADY_LEAST_G;
}

void press_join_steady(struct signal *signal, double level_g, int64_t ended_us)
{
    struct piece *into, *held;
    double above_g;

    if (signal->count < 4)
        return;
    into = &signal->piece[signal->count - 3];
    held = into + 1;
    above_g = (double)(held->first_g - into->first_g);
    if (into[-1].kind != PIECE_REST || into->kind != PIECE_HANDLED || held->kind != PIECE_REST
        || held[1].kind != PIECE_HANDLED || !press_is_steady(above_g)
        || fabs(level_g - (double)into[-1].last_g) > SAME_G || !((double)into[-1].last_g - signal->zero_g > SAME_G))
        return;
    if (!into->force_began_us)
        into->force_began_us = into->force_ended_us = into->begin_us;
    into->force_gs += (float)(above_g * (double)(held->end_us - into->force_ended_us) / 1e6);
    into->force_ended_us = into->end_us = ended_us;
    into->force_path_g = into->force_gs; /* it went back, as things do not: a hand, however steady */
    into->last_g = (float)level_g;
    into->low_g = fminf(into->low_g, held[1].low_g);
    into->high_g = fmaxf(into->high_g, fmaxf(held->high_g, held[1].high_g));
    into->overload |= held[1].overload;
    signal->count -= 2;
}

/* A kilogram is 3.5 kPa on a 60 mm piston: in so few seconds it presses no cup through a bed (common practice, no
 * source: that takes twelve at least, and more force when it is quick). */
static const double LEAN_MOST_G = 1000, LEAN_MOST_S = 7;
static const int64_t GO_ON_US = 20000000; /* who presses in two goes, or lifts the brewer, does it sooner */

/* A mark of a press that was seen is no farther from it. */
static const int64_t MARKED_US = 3000000;

/* A lift is taken for the begin of a press beside the scale, which comes some seconds later: carried, set down, leaned
 * on (common practice, no source). */
static const double LIFTED_U_S = 2;

void story_say_lifted(struct reader *reader, int64_t at_us)
{
    struct story *out = reader->out;
    int count = out->count;

    story_say(reader, STAGE_PRESS, at_us, 0);
    if (out->count > count)
        out->step[count].u_s = (float)LIFTED_U_S;
    out->press_began_us = at_us;
    reader->lifted_u_s = LIFTED_U_S;
}

bool press_is_force(const struct piece *piece, int64_t now_us)
{
    double lasted_us = (double)(piece->force_ended_us - piece->force_began_us), mean_g;

    (void)now_us;
    if (piece->kind != PIECE_HANDLED || !piece->force_began_us || lasted_us < (double)PRESS_LEAST_US)
        return false;
    mean_g = (double)piece->force_gs / (lasted_us / 1e6);
    if (!piece->overload && (double)piece->force_path_g < HAND_WANDERS_PER_S * mean_g * (lasted_us / 1e6 - 0.9))
        return false;
    /* shaking by hand goes down as far as up */
    return piece->overload || (double)(piece->first_g - piece->low_g) < mean_g / 2;
}

bool press_is_denied(const struct tracker *tracker, const struct act *act)
{
    bool denied = false;

    for (int i = 0; i < tracker->mark_count; i++) {
        const struct mark *mark = &tracker->mark[i];

        if (mark->stage == STAGE_PRESS && llabs(mark->at_us - act->begin_us) < MARKED_US)
            return false;
        denied |= mark->stage < STAGE_PRESS && mark->at_us > act->begin_us;
    }
    return denied;
}

static bool is_lean(const struct press *press)
{
    return press->seen && press->ended_us && !press->overload && press->force_s < LEAN_MOST_S
           && press->force_gs < LEAN_MOST_G * press->force_s;
}

/* A hand leaned on the brewer for a moment, and nothing came of it until at_us: it steeps on. */
bool press_forget_lean(struct reader *reader, int64_t at_us)
{
    struct story *out = reader->out;

    if (reader->phase != PHASE_PRESSED || !is_lean(&reader->press) || reader->tracker->gauge.began_us
        || second_is_under(&reader->tracker->second, out))
        return false;
    if (at_us - reader->press.ended_us < GO_ON_US) {
        out->wait_us = reader->press.ended_us + GO_ON_US;
        return false;
    }
    while (out->count && out->step[out->count - 1].stage >= STAGE_PRESS)
        out->count--;
    reader->press = (struct press){ 0 };
    reader->phase = PHASE_WATER;
    out->press_began_us = out->press_ended_us = 0;
    return true;
}

void press_add(struct press *press, const struct piece *piece)
{
    double peak_g = (double)(piece->high_g - piece->first_g);

    if (!press->seen)
        press->began_us = piece->begin_us;
    press->seen = true;
    press->ended_us = piece->force_ended_us;
    press->force_gs += (double)piece->force_gs;
    press->force_s += (double)(piece->force_ended_us - piece->force_began_us) / 1e6;
    press->peak_g = fmax(press->peak_g, peak_g);
    press->overload |= piece->overload;
}

bool gauge_take(struct gauge *gauge, double kpa, double resolution_kpa, int64_t at_us)
{
    double dt = gauge->seen_us ? fmin((double)(at_us - gauge->seen_us) / 1e6, GAUGE_GAP_S) : 0;
    bool began = false, over = false;

    if (kpa >= GAUGE_LEAST_KPA) {
        began = !gauge->began_us;
        if (began) /* somewhere since the indication before */
            gauge->began_us = at_us - (int64_t)(dt / 2 * 1e6);
        gauge->peak_kpa = fmax(gauge->peak_kpa, kpa);
        gauge->sum_kpa_s += kpa * dt;
        gauge->sum_s += dt;
        gauge->ended_us = at_us;
        gauge->u_kpa = uncertainty_of_resolution(resolution_kpa);
    } else
        over = gauge->now_kpa >= GAUGE_LEAST_KPA;
    gauge->seen_us = at_us;
    gauge->now_kpa = kpa;
    return began || over;
}

/* A pressure instrument knows when the press began, also where no scale sees it, and how hard it was. */
void story_use_gauge(struct reader *reader)
{
    const struct gauge *gauge = &reader->tracker->gauge;
    struct story *out = reader->out;
    int press = -1;

    if (!gauge->began_us || !out->first_water_us || gauge->began_us < out->first_water_us)
        return;
    for (int i = 0; i < out->count; i++)
        if (out->step[i].stage == STAGE_PRESS)
            press = i;
    if (press < 0) {
        story_end_pour(reader, 0.1);
        while (out->count && out->step[out->count - 1].at_us > gauge->began_us)
            out->count--;
        story_say(reader, STAGE_PRESS, gauge->began_us, GAUGE_U_S);
    } else if (!reader->press.seen) { /* the lift only came before it */
        out->step[press].at_us = gauge->began_us;
        out->step[press].u_s = (float)GAUGE_U_S;
    }
    if (press < 0 || !reader->press.seen) {
        out->press_began_us = gauge->began_us;
        reader->lifted_u_s = 0;
    }
}
