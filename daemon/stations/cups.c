/* Which cup it was; see cups.h. */
#include "cups.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "report.h"
#include "poise/brew.h"

/* A beverage that is as sure as this was weighed in a cup that was seen. */
static const double SURE_U_G = 1.5;

/* So much less uncertain, or so much else, is worth an event. */
static const double FINER_SHARE = 0.9, WORTH_G = 0.05;

/* An emptied cup comes back within so long (common practice, no source), and was not the full one. */
static const int64_t BACK_US = INT64_C(3600000000);
static const double FULL_AGAIN_G = 15, LEAST_BEVERAGE_G = 40;

/* A brewer weighs more; and what stands there is what was set down, but for drops. */
static const double LEAST_BREWER_G = 45, SAME_G = 3;

void cups_configure(struct stations *stations, const struct config *config)
{
    vessels_unconfigure(&stations->vessels);
    for (int i = 0; i < config->cup_count; i++)
        vessels_configure(&stations->vessels, config->cups[i].name, config->cups[i].mass_g);
    stations->vessels_changed = true;
}

/* ---- the answer ---- */

static bool answer(const struct stations *stations, const struct brew *brew, struct vessel_answer *out)
{
    const struct brew_cup *cup = &brew->cup;
    struct vessel_question question = {
        .full_g = cup->full_g,
        .full_u_g = cup->full_u_g,
        .dose_g = brew->measures.value[MEASURE_DOSE_G],
        .water_g = brew->measures.value[MEASURE_WATER_G],
        .seen_g = cup->seen_g,
        .seen_u_g = cup->seen_u_g,
        .together_g = cup->bare_g,
        .together_u_g = cup->bare_u_g,
        .asked = cup->asked,
        .back_count = cup->back_count,
    };

    for (int i = 0; i < cup->back_count; i++) {
        question.back[i].mass_g = cup->back_g[i];
        question.back[i].u_g = cup->back_u_g[i];
    }
    return !isnan(cup->full_g) && !cup->entered && vessels_answer(&stations->vessels, &question, out);
}

/* Which cup it was is clear, and so is what was in it. */
static bool is_clear(const struct vessel_answer *found)
{
    return found->u_g <= VESSELS_ASK_U_G && fmax(found->chance, found->as_seen) >= VESSELS_CLEAR;
}

/* Whether the table's answer stands instead of the tracker's. */
static bool knows_better(const struct brew *brew, const struct vessel_answer *found)
{
    const struct brew_cup *cup = &brew->cup;

    if (isnan(cup->tracker_g))
        return false;
    if (cup->tracker_u_g <= SURE_U_G) /* the cup was seen, and another may have come back */
        return !isnan(cup->seen_g) && found->u_g > VESSELS_ASK_U_G;
    return !found->guessed && (found->u_g < FINER_SHARE * cup->tracker_u_g || cup->back_count > 0);
}

static const char *name_of(const struct stations *stations, int vessel)
{
    return stations->vessels.all[vessel].name;
}

static void keep_vessel(struct stations *stations, struct brew *brew, const struct vessel_answer *found)
{
    brew->cup.vessel[0] = '\0';
    if (found->chance >= VESSELS_CLEAR && isnan(brew->cup.seen_g))
        strcpy(brew->cup.vessel, name_of(stations, found->cup));
}

void cups_beverage(struct stations *stations, struct brew *brew, double *beverage_g, double *u_g)
{
    struct vessel_answer found;

    brew->cup.tracker_g = *beverage_g;
    brew->cup.tracker_u_g = *u_g;
    brew->changed = true;
    if (!answer(stations, brew, &found) || !knows_better(brew, &found))
        return;
    keep_vessel(stations, brew, &found);
    *beverage_g = found.beverage_g;
    *u_g = found.u_g;
}

static void say_recognised(struct stations *stations, const struct brew *brew, const struct vessel_answer *found)
{
    char beverage[64];

    snprintf(beverage, sizeof beverage, "%.1f ± %.1f", found->beverage_g, found->u_g);
    if (brew->cup.vessel[0])
        stations_warn(
            stations, brew, brew->station, "cup-recognised",
            "The cup was not seen empty in this brew. By its mass it is %s (%.0f %%), so that %s g are in it.",
            brew->cup.vessel, 100 * found->chance, beverage);
    else
        stations_warn(stations, brew, brew->station, "cup-recognised",
                      "What was set down is likely this brew's emptied cup, so that %s g were in it.", beverage);
}

bool cups_asked(struct stations *stations, struct brew *brew, const char *words, char out[DETAIL_SIZE])
{
    struct vessel_answer found;
    int length;

    snprintf(out, DETAIL_SIZE, "%s", words);
    if (!answer(stations, brew, &found))
        return false;
    if (is_clear(&found) && knows_better(brew, &found)) {
        say_recognised(stations, brew, &found);
        return true;
    }
    brew->cup.asked = true;
    length = snprintf(out, DETAIL_SIZE, "The empty cup was never seen in this brew");
    if (found.chance > 0.1 && found.other_chance > 0.1)
        length += snprintf(out + length, (size_t)(DETAIL_SIZE - length), "; it may be %s (%.0f %%) or %s (%.0f %%)",
                           name_of(stations, found.cup), 100 * found.chance, name_of(stations, found.other),
                           100 * found.other_chance);
    else if (found.chance > 0.1)
        length += snprintf(out + length, (size_t)(DETAIL_SIZE - length), "; it may be %s (%.0f %%)",
                           name_of(stations, found.cup), 100 * found.chance);
    snprintf(out + length, (size_t)(DETAIL_SIZE - length),
             ". Once it is empty, set it on the scale; or enter what was in it: the full cup's %.1f g less the cup.",
             brew->cup.full_g);
    return false;
}

/* More is known: the beverage is corrected where that says something else. */
static void correct(struct stations *stations, struct brew *brew)
{
    double *value = brew->measures.value, *u = brew->measures.standard_uncertainty;
    double was_g = value[MEASURE_BEVERAGE_G], was_u_g = u[MEASURE_BEVERAGE_G];
    struct vessel_answer found;

    if (!answer(stations, brew, &found) || !knows_better(brew, &found)
        || (fabs(found.beverage_g - was_g) < WORTH_G && fabs(found.u_g - was_u_g) < (1 - FINER_SHARE) * was_u_g)
        || !brew_measure(brew, MEASURE_BEVERAGE_G, found.beverage_g, found.u_g, false))
        return;
    keep_vessel(stations, brew, &found);
    if (is_clear(&found)) {
        brew_answer(brew, MEASURE_BEVERAGE_G);
        say_recognised(stations, brew, &found);
    }
    brew->changed = stations->state_changed = true;
    report_measure(stations, brew, MEASURE_BEVERAGE_G, BY_TRACKER);
}

/* ---- one thing was set down ---- */

static bool may_be_emptied(const struct brew *brew, double mass_g, struct moment now)
{
    const struct brew_cup *cup = &brew->cup;

    return brew->ended && !brew->discarded && !brew->earlier_boot && now.mono_us - brew->ended_us < BACK_US
           && !cup->entered && !isnan(cup->full_g) && cup->full_g - mass_g > LEAST_BEVERAGE_G
           && brew->measures.standard_uncertainty[MEASURE_BEVERAGE_G] > SURE_U_G;
}

/* The full cup of a brew, set down once more. */
static bool is_full_again(const struct stations *stations, double mass_g, struct moment now)
{
    for (int i = 0; i < stations->brews.count; i++) {
        const struct brew *brew = stations->brews.all[i];

        if (brew->ended && !brew->earlier_boot && now.mono_us - brew->ended_us < BACK_US
            && fabs(brew->cup.full_g - mass_g) < FULL_AGAIN_G)
            return true;
    }
    return false;
}

/* It was set down and taken again, and was in no brew. */
static void learn_alone(struct stations *stations, struct station *station)
{
    struct vessel_weighing weighing = { station->alone_g, station->alone_u_g, VESSEL_UNKNOWN, station->alone_us };
    struct vessel_match match;

    if (isnan(station->alone_g))
        return;
    station->alone_g = NAN;
    vessels_take(&stations->vessels, &weighing, &match);
    stations->vessels_changed = stations->state_changed = true;
}

static void take_alone(struct stations *stations, int station, double mass_g, double u_g, struct moment now)
{
    struct station *one = &stations->all[station];

    learn_alone(stations, one);
    if (is_full_again(stations, mass_g, now))
        return;
    for (int i = 0; i < stations->brews.count; i++) {
        struct brew_cup *cup = &stations->brews.all[i]->cup;

        if (!may_be_emptied(stations->brews.all[i], mass_g, now))
            continue;
        if (cup->back_count == BREW_BACK) {
            cup->back_count--;
            memmove(cup->back_g, cup->back_g + 1, sizeof *cup->back_g * (BREW_BACK - 1));
            memmove(cup->back_u_g, cup->back_u_g + 1, sizeof *cup->back_u_g * (BREW_BACK - 1));
        }
        cup->back_g[cup->back_count] = mass_g;
        cup->back_u_g[cup->back_count++] = u_g;
        correct(stations, stations->brews.all[i]);
    }
    one->alone_g = mass_g;
    one->alone_u_g = u_g;
    one->alone_us = now.time_us;
}

void cups_weighed(struct stations *stations, int station, struct brew *brew, const struct tracker_event *event,
                  struct moment now)
{
    double mass_g = event->value, u_g = event->standard_uncertainty;

    if (event->weighed == WEIGHED_ALONE) {
        take_alone(stations, station, mass_g, u_g, now);
        return;
    }
    if (!brew)
        return;
    brew->changed = true;
    if (event->weighed == WEIGHED_FULL) {
        brew->cup.full_g = mass_g;
        brew->cup.full_u_g = u_g;
    } else if (event->weighed == WEIGHED_CUP) {
        brew->cup.seen_g = mass_g;
        brew->cup.seen_u_g = u_g;
    } else {
        brew->cup.bare_g = mass_g;
        brew->cup.bare_u_g = u_g;
    }
}

/* ---- a brew is over ---- */

static void learn(struct stations *stations, int station, const struct brew *brew, double mass_g, double u_g,
                  enum vessel_role role, struct moment now)
{
    struct message_check check = { .check = CHECK_VESSEL, .value = mass_g };
    struct vessel_weighing weighing = { mass_g, u_g, role, now.time_us };
    struct vessel_match match;

    vessels_take(&stations->vessels, &weighing, &match);
    stations->vessels_changed = stations->state_changed = true;
    if (!match.learnt || match.made || !stations->all[station].scale[0])
        return;
    check.reference = match.was_g;
    strcpy(check.instrument, stations->all[station].scale);
    strcpy(check.brew, brew->name);
    strcpy(check.vessel, name_of(stations, match.vessel));
    watch_take(stations, &check, stations->all[station].shown_resolution_g, now);
}

void cups_over(struct stations *stations, int station, struct brew *brew, struct moment now)
{
    const struct brew_cup *cup = &brew->cup;
    const double *value = brew->measures.value, *u = brew->measures.standard_uncertainty;
    struct station *one = &stations->all[station];
    double brewer_g = cup->bare_g - cup->seen_g;

    if (isnan(cup->seen_g)) {
        if (cup->vessel[0] && fabs(one->alone_g - cup->bare_g) < SAME_G)
            one->alone_g = NAN; /* cup and brewer, set down in one go */
        learn_alone(stations, one);
        return;
    }
    if (fabs(one->alone_g - cup->seen_g) < SAME_G)
        one->alone_g = NAN; /* this very cup */
    learn_alone(stations, one);
    learn(stations, station, brew, cup->seen_g, cup->seen_u_g, VESSEL_CUP, now);
    if (brewer_g > LEAST_BREWER_G)
        learn(stations, station, brew, brewer_g, hypot(cup->bare_u_g, cup->seen_u_g), VESSEL_BREWER, now);
    if (!cup->entered && u[MEASURE_BEVERAGE_G] < SURE_U_G && value[MEASURE_DOSE_G] > 0)
        vessels_held(&stations->vessels, (value[MEASURE_WATER_G] - value[MEASURE_BEVERAGE_G]) / value[MEASURE_DOSE_G]);
}

/* ---- by hand ---- */

int cups_name(struct stations *stations, int station, const char *name, struct moment now, struct why *why)
{
    struct station *one = &stations->all[station];
    struct vessel_weighing weighing = { one->alone_g, one->alone_u_g, VESSEL_UNKNOWN, now.time_us };
    struct vessel_match match;
    struct tracker_view view;
    int vessel, error;

    tracker_view(one->tracker, &view);
    if (station_running(stations, station))
        return why_set(why, -EINVAL, "a brew is running on station %s: set the vessel down before or after it",
                       one->config.name);
    if (isnan(one->alone_g) || !(fabs(view.load_g - one->alone_g) < SAME_G))
        return why_set(why, -EINVAL,
                       "station %s sees no single vessel: take everything off its scale, then set only %s on it",
                       one->config.name, name);
    if ((vessel = vessels_find(&stations->vessels, name)) < 0) {
        vessels_take(&stations->vessels, &weighing, &match);
        vessel = match.vessel;
        if (match.learnt && !match.made && stations->vessels.all[vessel].named)
            return why_set(why, -EINVAL, "what stands there is likely %s: `poise-ctl vessel %s rename %s` changes that",
                           name_of(stations, vessel), name_of(stations, vessel), name);
        if (!match.learnt)
            return why_set(why, -EINVAL, "it weighs nearly what %s does, and cannot be kept apart from it by its mass",
                           vessel < 0 ? "another" : name_of(stations, vessel));
        if ((error = vessels_name(&stations->vessels, vessel, name, why)) != 0)
            return error;
    } else {
        vessels_teach(&stations->vessels, vessel, &weighing);
    }
    one->alone_g = NAN;
    stations->vessels_changed = stations->state_changed = true;
    return 0;
}
