/* Strength readings and whose they are, and what a restart takes back. */
#include "control_room.h"

/* Check values: S 1.40 %, B 199.25 g, D 15 g, W 230 g give 18.596667 % and 21.771467 % by the mass
 * balances S B / D and S W / ((1 - S) D), computed with SciPy. */
static void test_strength_makes_extraction(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];
    const struct message *message;

    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_non_null(message);
    assert_string_equal(message->measure.brew, name);
    assert_float_equal(last_of(room, MEASURE_EXTRACTION_PCT), 18.596667, 1e-6);
    assert_float_equal(last_of(room, MEASURE_EXTRACTION_TOTAL_PCT), 21.771467, 1e-6);
    assert_null(find_emitted(room, MESSAGE_STAGE, STAGE_DONE));
    read_strength(room, 142, QUANTITY_STRENGTH);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.41, 1e-9);
    read_strength(room, 141, QUANTITY_STRENGTH);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.41, 1e-9);
    assert_non_null(find_emitted(room, MESSAGE_STAGE, STAGE_DONE));
    /* 1.40 1.42 1.41: squares 2e-4 with 2 degrees of freedom, pooled with what is usual (0.012 with 4), over 3; the
     * last digit 0.01/sqrt(12); a zero that nobody read water for, up to 0.1; and no syringe filter, up to 0.02 too
     * high (JCGM 100, 4.2.3, 4.3.7, 5.1.2) */
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_float_equal(message->measure.standard_uncertainty,
                       sqrt((4 * 0.012 * 0.012 + 2e-4) / 6 / 3 + 1e-4 / 12 + 0.1 * 0.1 / 3 + 4e-4 / 3), 1e-9);
    assert_float_equal(budget_combined(&message->measure.budget), message->measure.standard_uncertainty, 1e-12);
    assert_float_equal(message->measure.budget.u[BUDGET_FILTER], 0.02 / sqrt(3), 1e-12);
    assert_float_equal(message->measure.budget.freedom[BUDGET_REPEAT], 6, 1e-12);
    /* three are enough: the next sample has no cup */
    room->now.mono_us += 100000000;
    read_strength(room, 120, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT));
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "strength-unassigned");
}

static double part_of(const json_t *reply, const char *part)
{
    const json_t *one;
    size_t i;

    json_array_foreach(json_object_get(json_object_get(reply, "budget"), "parts"), i,
                       one) if (strcmp(json_string_value(json_object_get(one, "part")), part)
                                == 0) return json_real_value(json_object_get(one, "standard_uncertainty"));
    return 0;
}

/* Whether a sample passed a filter is its own, also afterwards; the budget of its extraction follows. */
static void test_a_filter_belongs_to_the_sample(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], text[160];
    const struct message *message;
    json_t *reply, *budget;

    brew_one(room, "left", first);
    brew_one(room, "right", second);
    snprintf(text, sizeof text, "{\"do\":\"sample\",\"brew\":\"%s\",\"filtered\":true}", first);
    agrees(room, text);
    for (int i = 0; i < 3; i++)
        read_strength(room, 140 + i % 2, QUANTITY_STRENGTH);
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_string_equal(message->measure.brew, first);
    assert_true(message->measure.filtered && message->measure.budget.u[BUDGET_FILTER] == 0);
    room->now.mono_us += 60000000;
    read_strength(room, 130, QUANTITY_STRENGTH);
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_string_equal(message->measure.brew, second);
    assert_false(message->measure.filtered);
    /* it was not, after all: reported again, and the next reading is still the second cup's */
    snprintf(text, sizeof text, "{\"do\":\"sample\",\"brew\":\"%s\",\"filtered\":false}", first);
    agrees(room, text);
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_string_equal(message->measure.brew, first);
    assert_true(!message->measure.filtered && message->measure.budget.u[BUDGET_FILTER] > 0);
    restart(room, 1, 1);
    snprintf(text, sizeof text, "{\"do\":\"strength\",\"brew\":\"%s\"}", first);
    reply = ask(room, text);
    budget = json_object_get(reply, "budget");
    assert_string_equal(json_string_value(json_object_get(budget, "of")), "extraction_pct");
    assert_float_equal(part_of(reply, "filter"), 0.02 / sqrt(3) * 199.25 / 15, 1e-9);
    assert_float_equal(part_of(reply, "dose"), (1.40 + 0.01 / 3) * 199.25 / 225 * 0.0288675, 1e-6);
    assert_true(json_real_value(json_object_get(budget, "coverage")) > 1.96);
    assert_true(json_is_false(json_object_get(json_array_get(json_object_get(reply, "readings"), 0), "filtered")));
    json_decref(reply);
    refuses(room, "{\"do\":\"sample\",\"filtered\":true}", "brew");
}

/* By the bench's own pairs what they leave unsure of the factor is part of every strength that was read in Brix. */
static void test_pairs_make_the_factor_and_its_uncertainty(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];
    const struct budget *budget;

    room->stations.strength_per_brix = 0.8478;
    room->stations.strength_per_brix_u = 0.0037;
    room->stations.strength_pairs = 3;
    brew_one(room, "left", name);
    read_strength(room, 165, QUANTITY_BRIX);
    budget = &brews_find(&room->stations.brews, name)->budget;
    assert_true(budget->u[BUDGET_FACTOR] == 0); /* this refractometer shows strength by its configuration */
    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        room->stations.refractometers[i].by_brix = true;
    read_strength(room, 165, QUANTITY_BRIX);
    assert_float_equal(budget->u[BUDGET_FACTOR], 1.65 * 0.0037, 1e-9);
    assert_float_equal(budget->freedom[BUDGET_FACTOR], 2, 0);
}

/* Of two cups that should be alike the third reading of the same value within half a minute is the first's still; after
 * a zero was set it is likelier the second's. */
static void test_a_zero_that_is_set_ends_a_sample(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], text[80];

    brew_one(room, "left", first);
    brew_one(room, "right", second);
    room->now.mono_us += 600000000; /* the samples cool */
    read_strength(room, 140, QUANTITY_STRENGTH);
    room->now.mono_us += 25000000;
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_int_equal(brews_find(&room->stations.brews, first)->sample_count, 2);
    strength_zeroed(&room->stations, "refractometer");
    restart(room, 1, 1);
    room->now.mono_us += 22000000;
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_int_equal(brews_find(&room->stations.brews, first)->sample_count, 2);
    snprintf(text, sizeof text, "%s",
             room->stations.loose_count                                ? room->stations.loose[0].likely
             : brews_find(&room->stations.brews, second)->sample_count ? second
                                                                       : "");
    assert_string_equal(text, second);
}

/* A refractometer that does not correct: its reading is referred to 20 C where it shows the sample's temperature (0.07
 * Brix a kelvin, from the index of water), and the part for it is wider where it does not. */
static void test_a_warm_sample_is_corrected(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[120];
    struct reading warm = { .quantity = QUANTITY_TEMPERATURE, .value = { 250, -1 }, .resolution = 0.1 };
    const struct message *message;

    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        room->stations.refractometers[i].follows_temperature = true;
    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_float_equal(message->measure.value, 1.40, 1e-9);
    assert_float_equal(message->measure.budget.u[BUDGET_TEMPERATURE], 0.07 * 0.85 * 3, 1e-9);
    brew_one(room, "right", name);
    snprintf(text, sizeof text, "{\"do\":\"sample\",\"brew\":\"%s\"}", name);
    agrees(room, text);
    warm.mono_us = room->now.mono_us + 5000000;
    strength_sample_temperature(&room->stations, &warm);
    read_strength(room, 120, QUANTITY_STRENGTH);
    assert_float_equal(brew_strength(brews_find(&room->stations.brews, name)), 1.20 + 5 * 0.07 * 0.85, 1e-9);
    assert_true(brews_find(&room->stations.brews, name)->budget.u[BUDGET_TEMPERATURE] < 0.07);
}

static void test_the_oldest_cup_comes_first_and_the_operator_corrects(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], text[120];

    brew_one(room, "left", first);
    brew_one(room, "right", second);
    assert_string_not_equal(first, second);
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, first);
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\"}", second);
    agrees(room, text);
    /* taken back from the first, null and what followed from it with it; given to the second */
    assert_string_equal(room->emitted[0].measure.brew, first);
    assert_true(isnan(room->emitted[0].measure.value));
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.40, 1e-9);
    assert_string_equal(room->emitted[room->count - 1].measure.brew, second);
    refuses(room, text, "already");
    snprintf(text, sizeof text, "{\"do\":\"sample\",\"brew\":\"%s\"}", second);
    agrees(room, text);
    read_strength(room, 141, QUANTITY_STRENGTH);
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, second);
    agrees(room, "{\"do\":\"sample\"}");
    room->now.mono_us += 100000000;
    read_strength(room, 145, QUANTITY_BRIX); /* far from the second's two */
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, first);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.45 * 0.85, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"unassign\",\"brew\":\"%s\"}", first);
    agrees(room, text);
    assert_true(isnan(last_of(room, MEASURE_STRENGTH_PCT)));
    refuses(room, text, "no strength reading");
}

/* A cup thrown away gives up its readings and its name: what is read next is of the cup that waits. */
static void test_a_discarded_cup_gives_up_its_readings(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], text[200];
    const struct message *strength;

    brew_one(room, "left", first);
    brew_one(room, "right", second);
    snprintf(text, sizeof text, "{\"do\":\"sample\",\"brew\":\"%s\"}", first);
    agrees(room, text);
    read_strength(room, 140, QUANTITY_STRENGTH);
    snprintf(text, sizeof text, "{\"do\":\"discard\",\"brew\":\"%s\"}", first);
    agrees(room, text);
    strength = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_non_null(strength);
    assert_string_equal(strength->measure.brew, first);
    assert_true(isnan(strength->measure.value) && strength->measure.readings == 0);
    assert_int_equal(brews_find(&room->stations.brews, first)->sample_count, 0);
    assert_string_equal(room->stations.sample, "");
    room->now.mono_us += 60000000; /* another sample, not the one that lies there */
    read_strength(room, 132, QUANTITY_STRENGTH);
    strength = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_non_null(strength);
    assert_string_equal(strength->measure.brew, second);
}

/* Two cups' samples were swapped in part: any of them is corrected, by its number or by its place. */
static void test_any_reading_is_corrected(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], text[200];
    uint64_t seq[3];

    brew_one(room, "left", first);
    brew_one(room, "right", second);
    for (int i = 0; i < 3; i++) {
        read_strength(room, 140 + i, QUANTITY_STRENGTH);
        seq[i] = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.reading[i];
    }
    room->now.mono_us += 100000000;
    read_strength(room, 130, QUANTITY_STRENGTH);
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\",\"seq\":%d}", second, (int)seq[0]);
    agrees(room, text);
    assert_string_equal(room->emitted[0].measure.brew, first);
    assert_float_equal(room->emitted[0].measure.value, (1.41 + 1.42) / 2, 1e-9);
    assert_int_equal(room->emitted[0].measure.readings, 2);
    assert_int_equal(room->emitted[0].measure.reading[0], seq[1]);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.30 + 1.40) / 2, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\",\"from\":\"%s\",\"number\":2}", second, first);
    agrees(room, text);
    assert_float_equal(room->emitted[0].measure.value, 1.41, 1e-9);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.30 + 1.40 + 1.42) / 3, 1e-9);
    refuses(room, text, "has 1 strength reading; it has no number 2");
    snprintf(text, sizeof text, "{\"do\":\"unassign\",\"brew\":\"%s\",\"seq\":%d}", first, (int)seq[0]);
    refuses(room, text, "is not pier-20261125-001's but pier-20261125-002's");
    snprintf(text, sizeof text, "{\"do\":\"unassign\",\"seq\":%d}", (int)seq[0]);
    agrees(room, text);
    assert_string_equal(room->emitted[0].measure.brew, second);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.30 + 1.42) / 2, 1e-9);
    refuses(room, text, "is no cup's already");
    /* what was taken back last is what `assign` means when it names none */
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\"}", first);
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.41 + 1.40) / 2, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\",\"seq\":7}", first);
    refuses(room, text, "there is no strength reading 7 among those that can be assigned");
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\",\"seq\":-7}", first);
    refuses(room, text, "\"seq\" is a whole number of 1 or more");
    refuses(room, "{\"do\":\"unassign\"}", "\"brew\" or \"seq\" is missing");
}

static void order_sample(struct room *room, const char *how, const char *brew, const char *with)
{
    char text[240];

    snprintf(text, sizeof text, "{\"do\":\"sample\",\"how\":\"%s\",\"brew\":\"%s\"%s%s%s}", how, brew,
             with ? ",\"with\":\"" : "", with ? with : "", with ? "\"" : "");
    agrees(room, text);
}

static double strength_of(const struct room *room, const char *brew)
{
    return brews_find(&room->stations.brews, brew)->measures.value[MEASURE_STRENGTH_PCT];
}

/* A whole morning is corrected with one order, and each order is taken back with one. */
static void test_samples_are_moved_with_one_order_each(void **state)
{
    struct room *room = *state;
    char cup[3][BREW_SIZE];
    const double read[] = { 1.10, 1.25, 1.40 };

    for (int i = 0; i < 3; i++) {
        brew_one(room, i % 2 ? "right" : "left", cup[i]);
        room->now.mono_us += 100000000;
        for (int k = 0; k < 3; k++)
            read_strength(room, (int64_t)lround(read[i] * 100), QUANTITY_STRENGTH);
    }
    for (int i = 0; i < 3; i++)
        assert_float_equal(strength_of(room, cup[i]), read[i], 1e-9);
    order_sample(room, "swap", cup[0], cup[2]);
    assert_float_equal(strength_of(room, cup[0]), 1.40, 1e-9);
    assert_float_equal(strength_of(room, cup[1]), 1.25, 1e-9);
    assert_float_equal(strength_of(room, cup[2]), 1.10, 1e-9);
    agrees(room, "{\"do\":\"sample\",\"how\":\"undo\"}");
    for (int i = 0; i < 3; i++)
        assert_float_equal(strength_of(room, cup[i]), read[i], 1e-9);
    order_sample(room, "shift", cup[0], NULL);
    assert_true(isnan(strength_of(room, cup[0])));
    assert_float_equal(strength_of(room, cup[1]), 1.10, 1e-9);
    assert_float_equal(strength_of(room, cup[2]), 1.25, 1e-9);
    assert_int_equal(room->stations.loose_count, 3); /* there is no fourth cup */
    order_sample(room, "shift-back", cup[1], NULL);
    assert_float_equal(strength_of(room, cup[0]), 1.10, 1e-9);
    assert_float_equal(strength_of(room, cup[1]), 1.25, 1e-9);
    assert_true(isnan(strength_of(room, cup[2])));
    order_sample(room, "merge", cup[0], cup[1]);
    assert_int_equal(brews_find(&room->stations.brews, cup[0])->sample_count, 6);
    assert_true(isnan(strength_of(room, cup[1])));
    agrees(room, "{\"do\":\"sample\",\"how\":\"undo\"}");
    assert_float_equal(strength_of(room, cup[1]), 1.25, 1e-9);
    agrees(room, "{\"do\":\"sample\",\"how\":\"undo\"}"); /* takes back the undo */
    assert_true(isnan(strength_of(room, cup[1])));
    refuses(room, "{\"do\":\"sample\",\"how\":\"turn\",\"brew\":\"pier-20261125-001\"}", "swap, shift, shift-back");
    refuses(room, "{\"do\":\"sample\",\"how\":\"swap\",\"brew\":\"pier-20261125-001\"}", "the other cup's name");
    refuses(room, "{\"do\":\"sample\",\"how\":\"shift-back\",\"brew\":\"pier-20261125-001\"}", "no cup before");
}

/* A reading that may be of either of two cups is no cup's until somebody says; the question names both. */
static void test_a_reading_that_may_be_of_two_cups_is_asked(void **state)
{
    struct room *room = *state;
    static const int steep_s[] = { 60, 150, 62, 64 };
    char cup[4][BREW_SIZE], text[300];
    const struct message *asked;

    for (int i = 0; i < 4; i++) {
        brew_one(room, "left", cup[i]);
        snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"steep_s\",\"value\":%d}", cup[i],
                 steep_s[i]);
        agrees(room, text);
    }
    for (int i = 0; i < 3; i++)
        read_strength(room, 98, QUANTITY_STRENGTH);
    assert_float_equal(strength_of(room, cup[0]), 0.98, 1e-9);
    room->now.mono_us += 100000000;
    read_strength(room, 104, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT));
    asked = find_emitted(room, MESSAGE_WARNING, 0);
    assert_non_null(asked);
    assert_string_equal(asked->warning.warning, "strength-unsure");
    assert_non_null(strstr(asked->warning.detail, cup[1]));
    assert_non_null(strstr(asked->warning.detail, cup[2]));
    snprintf(text, sizeof text, "{\"do\":\"sample\",\"how\":\"take\",\"brew\":\"%s\",\"seq\":%d}", cup[2],
             (int)room->seq - 1);
    agrees(room, text);
    assert_float_equal(strength_of(room, cup[2]), 1.04, 1e-9);
    read_strength(room, 104, QUANTITY_STRENGTH); /* the next of that sample is known */
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, cup[2]);
}

/* Water drifts in steps: it is of no cup, and each cup is corrected by what lies about it. */
static void test_water_is_subtracted(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];

    brew_one(room, "left", name);
    room->now.mono_us += 100000000;
    read_strength(room, 12, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT));
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "blank-drift");
    read_strength(room, 12, QUANTITY_STRENGTH); /* twice the same: no rest of coffee */
    room->now.mono_us += 60000000;
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_float_equal(strength_of(room, name), 1.28, 1e-9);
    room->now.mono_us += 55000000; /* as long after as before: the zero moved back by half of it */
    read_strength(room, 6, QUANTITY_STRENGTH);
    read_strength(room, 6, QUANTITY_STRENGTH);
    assert_float_equal(strength_of(room, name), 1.40 - 0.09, 0.003);
}

/* One number typed is no better than one reading: never surer than three. */
static void test_a_strength_typed_in_is_no_surer_than_one_that_was_read(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[160];
    const struct message *typed;
    double read_u;

    brew_one(room, "left", name);
    for (int i = 0; i < 3; i++)
        read_strength(room, 118, QUANTITY_STRENGTH);
    read_u = brews_find(&room->stations.brews, name)->measures.standard_uncertainty[MEASURE_STRENGTH_PCT];
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"strength_pct\",\"value\":1.18}", name);
    agrees(room, text);
    typed = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_true(typed->measure.standard_uncertainty > read_u);
    assert_float_equal(typed->measure.standard_uncertainty, sqrt(0.012 * 0.012 + 0.1 * 0.1 / 3 + 4e-4 / 3), 1e-12);
}

/* A slip of the finger is asked back once; the same again is meant, and noted. */
static void test_a_number_that_cannot_be_is_asked_back_once(void **state)
{
    struct room *room = *state;
    char name[4][BREW_SIZE], text[200];

    for (int i = 0; i < 4; i++)
        brew_one(room, "left", name[i]);
    for (int i = 0; i < 3; i++) {
        snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"strength_pct\",\"value\":%g}",
                 name[i], 1.1 + 0.2 * i);
        agrees(room, text);
    }
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"dose_g\",\"value\":150}", name[3]);
    refuses(room, text, "Cups here were 15.0 to 15.0");
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"beverage_g\",\"value\":333}", name[3]);
    refuses(room, text, "of 230.0 g of water?");
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"strength_pct\",\"value\":14.4}",
             name[3]);
    refuses(room, text, "191 % of the coffee would be in the cup");
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"strength_pct\",\"value\":14.4}",
             name[2]);
    refuses(room, text, "enter it again"); /* of another cup it is another slip */
    agrees(room, text);
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "implausible");
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 14.4, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"strength_pct\",\"value\":1.44}",
             name[3]);
    agrees(room, text);
}

static void test_what_was_typed_in_stands_when_a_reading_is_taken_off(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[120];

    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    agrees(room, "{\"do\":\"enter\",\"measure\":\"strength_pct\",\"value\":1.35}");
    snprintf(text, sizeof text, "{\"do\":\"unassign\",\"brew\":\"%s\"}", name);
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.35, 1e-9);
    assert_true(room->emitted[0].measure.from_readings); /* so that the store lets go of the reading */
    assert_int_equal(room->emitted[0].measure.readings, 0);
}

static void test_a_reading_far_from_the_others_is_said_and_kept(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];

    room->stations.replicates = 4;
    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    read_strength(room, 141, QUANTITY_STRENGTH);
    read_strength(room, 142, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_WARNING, 0));
    read_strength(room, 155, QUANTITY_STRENGTH);
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "strength-suspect");
    assert_non_null(strstr(find_emitted(room, MESSAGE_WARNING, 0)->warning.detail, "1.55"));
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.40 + 1.41 + 1.42) / 3, 1e-9);
}

static void test_a_sample_too_warm_for_the_instrument_is_kept_and_said(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];

    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_WARNING, 0));
    read_strength_saying(room, 141, QUANTITY_STRENGTH, "temp-out-of-range");
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.405, 1e-9);
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "strength-suspect");
    assert_non_null(strstr(find_emitted(room, MESSAGE_WARNING, 0)->warning.detail, "temp-out-of-range"));
    assert_non_null(strstr(find_emitted(room, MESSAGE_WARNING, 0)->warning.detail, "-001/2"));
}

/* Thirty blanks about 0.00, then some about 0.02: an alarm names the refractometer and since when, and the strength
 * read meanwhile is reported again with a wider uncertainty, with the whole of it kept across a restart. */
static void test_a_zero_that_moved_is_seen_and_widens_what_was_read(void **state)
{
    static const int64_t around[] = { 0, 1, 0, -1, 1, 0, -1, 0 };
    struct room *room = *state;
    const struct message *warning = NULL;
    const struct brew *brew;
    char name[BREW_SIZE];
    double before_u_pct;

    for (int i = 0; i < 30; i++) {
        room->now.mono_us += 600000000;
        room->now.time_us += 600000000;
        read_strength(room, around[i % 8], QUANTITY_STRENGTH);
        assert_int_equal(room->emitted[0].kind, MESSAGE_CHECK);
        assert_int_equal(room->emitted[0].check.check, CHECK_BLANK);
        assert_null(find_emitted(room, MESSAGE_WARNING, 0));
    }
    restart(room, 1, 1);
    read_strength(room, 2, QUANTITY_STRENGTH);
    brew_one(room, "left", name);
    room->now.mono_us += 300000000;
    room->now.time_us += 300000000;
    read_strength(room, 140, QUANTITY_STRENGTH);
    before_u_pct = brews_find(&room->stations.brews, name)->measures.standard_uncertainty[MEASURE_STRENGTH_PCT];
    assert_true(before_u_pct > 0);
    for (int i = 0; i < 8 && !warning; i++) {
        room->now.mono_us += 60000000;
        room->now.time_us += 60000000;
        read_strength(room, 2 + around[i], QUANTITY_STRENGTH);
        for (int k = 0; k < room->count; k++)
            if (room->emitted[k].kind == MESSAGE_WARNING
                && strcmp(room->emitted[k].warning.warning, "instrument-changed") == 0)
                warning = &room->emitted[k];
    }
    assert_non_null(warning);
    assert_non_null(strstr(warning->warning.detail, "what it shows of water changed by +0.0"));
    assert_non_null(strstr(warning->warning.detail, name));
    brew = brews_find(&room->stations.brews, name);
    assert_true(brew->measures.standard_uncertainty[MEASURE_STRENGTH_PCT] > 1.2 * before_u_pct);
    assert_true(brew->budget.u[BUDGET_ACCURACY] > 0.008); /* 0.02 by the root of three, about */
    assert_non_null(find_emitted(room, MESSAGE_MEASURE, MEASURE_EXTRACTION_PCT));
    restart(room, 1, 1);
    brew = brews_find(&room->stations.brews, name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_int_equal(brew->sample_count, 2);
    assert_true(brew->budget.u[BUDGET_ACCURACY] > 0.008); /* still */
}

/* The control brew comes to another extraction than before: the alarm names the refractometer, since when, and the
 * brews read on it since, whose strength is less sure now. */
static void test_a_control_brew_out_of_line_is_seen_and_widens_what_was_read(void **state)
{
    static const int64_t around[] = { 0, 1, 0, -1, 1, 0, -1, 0 };
    struct room *room = *state;
    const struct message *warning = NULL, *alarm = NULL;
    char name[BREW_SIZE], first_off[BREW_SIZE] = "", text[120];

    for (int i = 0; i < 40 && !warning; i++) {
        struct brew *brew;

        brew_one(room, "left", name);
        brew = brews_find(&room->stations.brews, name);
        brew->plan = json_pack("{s:s,s:b}", "experiment", "morning-cup", "control", 1);
        if (i == 30)
            strcpy(first_off, name);
        for (int k = 0; k < 3; k++) {
            snprintf(text, sizeof text, "{\"do\":\"sample\",\"brew\":\"%s\"}", name);
            agrees(room, text);
            read_strength(room, (i < 30 ? 140 : 146) + around[(i + k) % 8], QUANTITY_STRENGTH);
        }
        assert_non_null(find_emitted(room, MESSAGE_CHECK, 0));
        for (int k = 0; k < room->count; k++) {
            if (room->emitted[k].kind == MESSAGE_WARNING
                && strcmp(room->emitted[k].warning.warning, "instrument-changed") == 0)
                warning = &room->emitted[k];
            if (room->emitted[k].kind == MESSAGE_ALARM)
                alarm = &room->emitted[k];
        }
        assert_true(!warning || i >= 30);
        room->now.mono_us += 600000000;
        room->now.time_us += 600000000;
        if (i == 20)
            restart(room, 1, 1); /* the chart is kept */
    }
    assert_non_null(warning);
    assert_non_null(strstr(warning->warning.detail, "refractometer: the extraction of the control brew"));
    assert_non_null(strstr(warning->warning.detail, "since"));
    assert_non_null(strstr(warning->warning.detail, name));
    assert_non_null(alarm);
    assert_string_equal(alarm->alarm.instrument, "refractometer");
    assert_int_equal(alarm->alarm.check, CHECK_CONTROL);
    assert_true(alarm->alarm.brews >= 1 && alarm->alarm.change > 0.2);
    assert_true(brews_find(&room->stations.brews, first_off)->budget.u[BUDGET_ACCURACY] > 0.02);
}

static void show_c(struct room *room, int seconds, double c)
{
    for (int i = 0; i < seconds; i++) {
        struct reading reading = {
            .quantity = QUANTITY_TEMPERATURE, .stable = -1, .value = { (int64_t)(10 * c), -1 }, .resolution = 0.1
        };

        room->now.mono_us += 1000000;
        room->now.time_us += 1000000;
        reading.mono_us = room->now.mono_us;
        stations_reading(&room->stations, 0, &reading, ++room->seq, room->now);
    }
}

/* Poised is restarted while a thermometer stands in the slurry: what it showed before is known after. */
static void test_the_slurry_of_before_a_restart_is_known_after(void **state)
{
    struct room *room = *state;
    double c, u_c;

    show_c(room, 30, 21);
    show_c(room, 60, 92);
    agrees(room, "{\"do\":\"begin\",\"station\":\"left\"}"); /* so that the station is kept */
    restart(room, 1, 1);
    assert_int_equal(room->stations.all[0].slurry.count, 90);
    show_c(room, 30, 91);
    assert_int_equal(room->stations.all[0].slurry.count, 120);
    assert_true(slurry_at(&room->stations.all[0].slurry, 0, room->now.mono_us - 45000000, &c, &u_c));
    assert_true(fabs(c - 92) < 1);
}

/* No cup comes to 14.4 %: a reading of that is nobody's and asked, and kept where someone says whose it is. */
static void test_a_reading_that_cannot_be_is_asked_and_kept_when_someone_says_whose(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[120];

    brew_one(room, "left", name);
    read_strength(room, 1440, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT));
    assert_non_null(find_emitted(room, MESSAGE_WARNING, 0));
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\"}", name);
    refuses(room, text, "of the coffee would be in the cup");
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 14.4, 1e-9);
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "implausible");
}

/* A weight is on the scale, a solution was read: what was shown is kept beside what it should be. */
static uint64_t chance_state;

/* Standard normal: the sum of twelve even numbers less six (a linear congruential generator; Knuth). */
static double chance(void)
{
    double sum = -6;

    for (int i = 0; i < 12; i++) {
        chance_state = chance_state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
        sum += (double)(chance_state >> 11) / 9007199254740992.0;
    }
    return sum;
}

static void show_weight(struct room *room, double shown_g)
{
    struct message_check check = { .check = CHECK_MASS, .value = shown_g, .reference = 200 };

    strcpy(check.instrument, "left-scale");
    room->now.mono_us += 600000000;
    room->now.time_us += 600000000;
    room->count = 0;
    watch_take(&room->stations, &check, 0.001, room->now);
}

static bool alarmed(const struct room *room)
{
    return find_emitted(room, MESSAGE_ALARM, 0) != NULL;
}

/* The whole way from a value to the alarm's event: as many false ones as the table of the chart allows (one in 395, see
 * reference/test_control_chart.c), and a shift by two standard deviations after the 4 values of the handbook's table
 * (e-Handbook 6.3.2.3.1; 3.34 there for one side with h = 4, 4.01 for h = 5). */
static void test_alarms_are_as_rare_and_as_soon_as_the_tables_say(void **state)
{
    enum { QUIET = 12000, SHIFTS = 60, KNOWN = 60 };
    struct room *room = *state;
    int alarms = 0, delay = 0;

    chance_state = 7;
    for (int i = 0; i < QUIET; i++) {
        show_weight(room, 200 + 0.05 * chance());
        alarms += alarmed(room);
    }
    /* 30.4 are expected, and 5.5 is the root of that */
    assert_true(alarms > 30.4 - 4 * 5.5 && alarms < 30.4 + 4 * 5.5);
    for (int k = 0; k < SHIFTS; k++) {
        bool quiet = false;

        while (!quiet) { /* known is what gave no false alarm */
            memset(room->stations.watched, 0, sizeof room->stations.watched);
            quiet = true;
            for (int i = 0; i < KNOWN; i++) {
                show_weight(room, 200 + 0.05 * chance());
                quiet = quiet && !alarmed(room);
            }
        }
        do {
            show_weight(room, 200.1 + 0.05 * chance());
            delay++;
        } while (!alarmed(room));
    }
    /* what was known is estimated, and single values alarm as well: within a quarter of the table */
    assert_float_equal((double)delay / SHIFTS, 4.01, 1);
}

/* What was weighed since is less sure by the change, with an event, and the alarm names it: not the brew before. */
static void test_an_alarm_names_the_brews_that_it_touches(void **state)
{
    struct room *room = *state;
    const struct message *alarm, *measure;
    char name[2][BREW_SIZE];
    double u_g, wider_g;

    chance_state = 3;
    for (int i = 0; i < 60; i++)
        show_weight(room, 200 + 0.05 * chance());
    brew_one(room, "left", name[0]);
    show_weight(room, 200.1);
    show_weight(room, 200.1);
    brew_one(room, "left", name[1]);
    u_g = brews_find(&room->stations.brews, name[1])->measures.standard_uncertainty[MEASURE_DOSE_G];
    for (int i = 0; i < 12; i++) {
        show_weight(room, 200.1);
        if (alarmed(room))
            break;
    }
    alarm = find_emitted(room, MESSAGE_ALARM, 0);
    assert_non_null(alarm);
    assert_string_equal(alarm->alarm.instrument, "left-scale");
    assert_int_equal(alarm->alarm.check, CHECK_MASS);
    assert_float_equal(alarm->alarm.change, 0.1, 0.03);
    assert_false(alarm->alarm.once);
    assert_true(alarm->alarm.since_us < room->now.time_us - INT64_C(1200000000));
    assert_int_equal(alarm->alarm.brews, 1);
    assert_string_equal(alarm->alarm.brew[0], name[1]);
    measure = find_emitted(room, MESSAGE_MEASURE, MEASURE_DOSE_G);
    assert_non_null(measure);
    assert_string_equal(measure->measure.brew, name[1]);
    wider_g = brews_find(&room->stations.brews, name[1])->measures.standard_uncertainty[MEASURE_DOSE_G];
    assert_float_equal(wider_g, hypot(u_g, alarm->alarm.change / sqrt(3)), 1e-9);
    assert_float_equal(brews_find(&room->stations.brews, name[0])->measures.standard_uncertainty[MEASURE_DOSE_G], u_g,
                       1e-9);
}

static void test_a_check_is_kept(void **state)
{
    struct room *room = *state;
    struct reading weight = { .quantity = QUANTITY_MASS, .stable = 1, .value = { 20030, -2 }, .resolution = 0.01 };

    refuses(room, "{\"do\":\"check\",\"what\":\"mass\",\"value\":200,\"station\":\"left\"}", "has no steady reading");
    weight.mono_us = room->now.mono_us;
    stations_reading(&room->stations, 0, &weight, ++room->seq, room->now);
    refuses(room, "{\"do\":\"check\",\"what\":\"mass\",\"value\":500,\"station\":\"left\"}", "no weight of 500 g");
    agrees(room, "{\"do\":\"check\",\"what\":\"mass\",\"value\":200,\"station\":\"left\"}");
    assert_int_equal(room->emitted[0].kind, MESSAGE_CHECK);
    assert_string_equal(room->emitted[0].check.instrument, "left-scale");
    assert_float_equal(room->emitted[0].check.value, 200.30, 1e-9);
    assert_float_equal(room->emitted[0].check.reference, 200, 1e-9);
    refuses(room, "{\"do\":\"check\",\"what\":\"brix\",\"value\":10}", "read the solution first");
    read_strength(room, 1020, QUANTITY_BRIX);
    agrees(room, "{\"do\":\"check\",\"what\":\"brix\",\"value\":10}");
    assert_int_equal(find_emitted(room, MESSAGE_CHECK, 0)->check.check, CHECK_BRIX);
    assert_float_equal(find_emitted(room, MESSAGE_CHECK, 0)->check.value, 10.20, 1e-9);
    refuses(room, "{\"do\":\"check\",\"what\":\"brix\",\"value\":-1}", "degrees Brix");
    refuses(room, "{\"do\":\"check\",\"what\":\"colour\",\"value\":1}", "mass");
}

/* A refractometer in Brix that is corrected: strength and uncertainty follow, and its check shows what it showed. */
static void test_a_calibration_enters_the_budget(void **state)
{
    struct room *room = *state;
    struct calibration *one = calibration_of(room->stations.calibrations, "refractometer", true);
    const struct message *message;
    char name[BREW_SIZE];

    read_strength(room, 0, QUANTITY_STRENGTH);
    agrees(room, "{\"do\":\"check\",\"what\":\"brix\",\"value\":0}");
    assert_int_equal(one->count, 0); /* it shows strength, by a factor that only its maker knows */
    room->stations.refractometers[0].by_brix = true;
    one->applied = true;
    for (int i = 0; i < 2; i++) {
        room->now.mono_us += 60000000;
        read_strength(room, i ? 1010 : 2, QUANTITY_BRIX);
        agrees(room, i ? "{\"do\":\"check\",\"what\":\"brix\",\"value\":10}"
                       : "{\"do\":\"check\",\"what\":\"brix\",\"value\":0}");
    }
    message = find_emitted(room, MESSAGE_INSTRUMENT, 0);
    assert_non_null(message);
    assert_int_equal(message->instrument.change, INSTRUMENT_CALIBRATED);
    assert_non_null(strstr(message->instrument.detail, "1.00800"));
    restart(room, 1, 1);
    room->stations.refractometers[0].by_brix = true;
    calibration_of(room->stations.calibrations, "refractometer", true)->applied = true;
    brew_one(room, "left", name);
    room->now.mono_us += 300000000;
    read_strength(room, 165, QUANTITY_BRIX);
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_non_null(message);
    /* the solution's 0.05/sqrt(3) over 10 degrees, and the digits' */
    assert_true(message->measure.budget.u[BUDGET_CALIBRATION] > 1.4 * 0.05 / sqrt(3) / 10
                && message->measure.budget.u[BUDGET_CALIBRATION] < 2 * 1.4 * 0.05 / sqrt(3) / 10);
}

static void test_water_on_the_prism_is_no_cup(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];

    brew_one(room, "left", name);
    read_strength(room, 1, QUANTITY_STRENGTH);
    assert_int_equal(room->count, 1); /* for the chart of its blanks */
    assert_int_equal(room->emitted[0].kind, MESSAGE_CHECK);
    read_strength(room, 5, QUANTITY_STRENGTH);
    assert_int_equal(room->count, 2);
    assert_string_equal(room->emitted[0].warning.warning, "blank-drift");
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_non_null(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT));
}

static void test_a_restart_carries_on_with_the_same_brew(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], running[BREW_SIZE], next[BREW_SIZE], text[160];

    brew_one(room, "left", first);
    read_strength(room, 140, QUANTITY_STRENGTH);
    agrees(room, "{\"do\":\"begin\",\"station\":\"right\"}");
    strcpy(running, find_emitted(room, MESSAGE_BREW, BREW_BEGIN)->brew.brew);
    agrees(room, "{\"do\":\"enter\",\"station\":\"right\",\"measure\":\"dose_g\",\"value\":16.5}");
    restart(room, 1, 1);
    assert_int_equal(room->count, 0);
    assert_string_equal(station_running(&room->stations, 1)->name, running);
    assert_float_equal(station_running(&room->stations, 1)->measures.value[MEASURE_DOSE_G], 16.5, 0);
    agrees(room, "{\"do\":\"end\",\"station\":\"right\"}");
    assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.brew, running);
    assert_float_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.measures.value[MEASURE_DOSE_G], 16.5, 0);
    /* the first cup still wants two readings, and gets them */
    read_strength(room, 142, QUANTITY_STRENGTH);
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, first);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.41, 1e-9);
    brew_one(room, "left", next);
    assert_string_not_equal(next, first);
    assert_string_not_equal(next, running);
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"water_g\",\"value\":231}", first);
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_EXTRACTION_TOTAL_PCT), 100 * 0.0141 * 231 / (1 - 0.0141) / 15, 1e-9);
}

static void test_a_strength_reading_has_an_age_only_within_its_boot(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];
    json_t *list;

    room->stations.replicates = 2;
    read_strength(room, 150, QUANTITY_STRENGTH); /* no cup waits for it */
    room->now.mono_us += 100000000;
    brew_one(room, "left", name);
    room->now.mono_us += 200000000; /* the sample cools */
    read_strength(room, 140, QUANTITY_STRENGTH);
    boot_anew(room);
    read_strength(room, 141, QUANTITY_STRENGTH);
    list = strength_list(&room->stations, NULL, room->now);
    assert_int_equal(json_array_size(list), 3);
    assert_true(json_is_null(json_object_get(json_array_get(list, 0), "ago_s")));
    assert_float_equal(json_real_value(json_object_get(json_array_get(list, 1), "ago_s")), 0, 1e-9);
    assert_string_equal(json_string_value(json_object_get(json_array_get(list, 1), "brew")), name);
    assert_true(json_is_null(json_object_get(json_array_get(list, 2), "ago_s")));
    json_decref(list);
}

static void test_a_late_strength_leaves_the_stages_of_an_earlier_boot(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];
    const struct brew *brew;

    room->config.replicates = room->stations.replicates = 1;
    brew_one(room, "left", name);
    brew_stage(brews_find(&room->stations.brews, name),
               &(struct staged){ STAGE_POUR, room->now.mono_us - 1000000, 0, BY_TRACKER });
    boot_anew(room);
    room->now.mono_us = 60000000; /* the clock began again: all that was reported lies ahead of it */
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_non_null(find_emitted(room, MESSAGE_STAGE, STAGE_DONE));
    brew = brews_find(&room->stations.brews, name);
    assert_false(brew_waits(brew, 1));
    assert_int_equal(brew->timeline.count, 1);
    assert_int_equal(brew->timeline.stage[0].stage, STAGE_POUR);
}

static void test_a_brew_that_cannot_be_followed_ends_with_what_is_known(void **state)
{
    struct room *room = *state;
    char running[BREW_SIZE], next[BREW_SIZE];

    agrees(room, "{\"do\":\"begin\",\"station\":\"left\"}");
    strcpy(running, find_emitted(room, MESSAGE_BREW, BREW_BEGIN)->brew.brew);
    agrees(room, "{\"do\":\"enter\",\"station\":\"left\",\"measure\":\"dose_g\",\"value\":16.5}");
    restart(room, 1, 20); /* another clock: the tracker's times mean nothing now */
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "brew-cut-short");
    assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.brew, running);
    assert_float_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.measures.value[MEASURE_DOSE_G], 16.5, 0);
    assert_null(station_running(&room->stations, 0));
    brew_one(room, "left", next);
    assert_string_not_equal(next, running);
}

/* The tracker's bytes mean something to the build that wrote them, and only while all its counts can be true. */
static void test_a_saved_tracker_of_another_build_or_damaged_is_not_followed(void **state)
{
    struct room *room = *state;
    struct saved_at at = { room->seq, room->now, 1 };
    char running[BREW_SIZE];
    char *saved = NULL;

    assert_int_equal(strlen(program_build()), 40);
    for (int round = 0; round < 3; round++) {
        agrees(room, "{\"do\":\"begin\",\"station\":\"left\"}");
        strcpy(running, find_emitted(room, MESSAGE_BREW, BREW_BEGIN)->brew.brew);
        at.moment = room->now;
        stations_save(&room->stations, true, &at, keep, room);
        for (int i = 0; i < room->kept_count; i++)
            if (strcmp(room->kept[i].key, "station/left") == 0)
                saved = room->kept[i].data;
        assert_non_null(saved);
        assert_memory_equal(saved, program_build(), 40);
        if (round == 1)
            saved[0] = saved[0] == 'a' ? 'b' : 'a';
        if (round == 2)
            memset(saved + 200, 0xff, tracker_size() - 200);
        begin_again(room, 1);
        if (round == 0) {
            assert_null(find_emitted(room, MESSAGE_BREW, BREW_END));
            assert_string_equal(station_running(&room->stations, 0)->name, running);
            agrees(room, "{\"do\":\"end\",\"station\":\"left\"}");
        } else {
            assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.brew, running);
            assert_null(station_running(&room->stations, 0));
        }
    }
}

static void test_names_are_never_given_twice_when_the_clock_goes_back(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], third[BREW_SIZE];

    setenv("TZ", "UTC", 1);
    brew_one(room, "left", first);
    assert_string_equal(first, "pier-20261125-001");
    room->now.time_us -= INT64_C(86400000000);
    brew_one(room, "left", second);
    assert_string_equal(second, "pier-20261125-002");
    room->now.time_us += INT64_C(2 * 86400000000);
    brew_one(room, "left", third);
    assert_string_equal(third, "pier-20261126-001");
}

static void test_a_station_that_is_gone_ends_its_brew(void **state)
{
    struct room *room = *state;
    struct why why;

    agrees(room, "{\"do\":\"begin\",\"station\":\"right\"}");
    agrees(room, "{\"do\":\"begin\",\"station\":\"left\"}");
    room->count = 0;
    room->config.station_count = 1;
    assert_int_equal(stations_reconfigure(&room->stations, &room->config, room->now, &why), 0);
    assert_int_equal(room->count, 1);
    assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.station, "right");
    assert_non_null(station_running(&room->stations, 0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_strength_makes_extraction, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_filter_belongs_to_the_sample, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_pairs_make_the_factor_and_its_uncertainty, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_zero_that_is_set_ends_a_sample, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_warm_sample_is_corrected, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_the_oldest_cup_comes_first_and_the_operator_corrects, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_discarded_cup_gives_up_its_readings, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_any_reading_is_corrected, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_strength_typed_in_is_no_surer_than_one_that_was_read, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_water_is_subtracted, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_reading_that_may_be_of_two_cups_is_asked, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_samples_are_moved_with_one_order_each, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_number_that_cannot_be_is_asked_back_once, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_what_was_typed_in_stands_when_a_reading_is_taken_off, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_reading_far_from_the_others_is_said_and_kept, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_sample_too_warm_for_the_instrument_is_kept_and_said, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_zero_that_moved_is_seen_and_widens_what_was_read, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_the_slurry_of_before_a_restart_is_known_after, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_reading_that_cannot_be_is_asked_and_kept_when_someone_says_whose, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_a_control_brew_out_of_line_is_seen_and_widens_what_was_read, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_a_check_is_kept, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_alarms_are_as_rare_and_as_soon_as_the_tables_say, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_an_alarm_names_the_brews_that_it_touches, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_calibration_enters_the_budget, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_water_on_the_prism_is_no_cup, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_restart_carries_on_with_the_same_brew, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_strength_reading_has_an_age_only_within_its_boot, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_late_strength_leaves_the_stages_of_an_earlier_boot, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_brew_that_cannot_be_followed_ends_with_what_is_known, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_saved_tracker_of_another_build_or_damaged_is_not_followed, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_names_are_never_given_twice_when_the_clock_goes_back, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_station_that_is_gone_ends_its_brew, set_up, tear_down),
    };

    setenv("TZ", "UTC", 1);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
