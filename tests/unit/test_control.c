/* Requests to the bench: what is refused and how, orders, marks and entered measures. */
#include "control_room.h"

static void test_nonsense_is_refused_with_what_would_be_right(void **state)
{
    static const char *const table[][2] = {
        { "", "no JSON object" },
        { "[]", "one JSON object" },
        { "{\"do\":\"status\"", "no JSON object" },
        { "{\"do\":\"status\",\"do\":\"tare\"}", "duplicate" },
        { "{}", "\"do\" is missing" },
        { "{\"do\":7}", "\"do\" is missing" },
        { "{\"do\":\"dance\"}", "one of status, instruments, tare" },
        { "{\"do\":\"tare\"}", "one of left, right" },
        { "{\"do\":\"tare\",\"station\":\"middle\"}", "there is left, right" },
        { "{\"do\":\"tare\",\"station\":7}", "\"station\" is a text" },
        { "{\"do\":\"tare\",\"station\":\"right\"}", "right-scale: its configuration" },
        { "{\"do\":\"tare\",\"statoin\":\"left\"}", "no field \"statoin\"" },
        { "{\"do\":\"zero\",\"instrument\":\"kettle\"}", "no instrument \"kettle\"" },
        { "{\"do\":\"mark\",\"station\":\"left\"}", "\"stage\" is one of idle, dose" },
        { "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"soak\"}", "\"stage\" is one of" },
        { "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"press\",\"at_us\":1.5}", "whole number" },
        { "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"press\",\"ago_s\":-1}", "must be 0 to 3600" },
        { "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"press\",\"at_us\":9000000000000}", "within the last" },
        { "{\"do\":\"enter\",\"measure\":\"dose_g\",\"value\":15}", "no brew yet" },
        { "{\"do\":\"end\",\"station\":\"left\"}", "running" },
        { "{\"do\":\"discard\",\"station\":\"left\"}", "by its name" },
        { "{\"do\":\"note\",\"text\":\"x\"}", "no brew yet" },
        { "{\"do\":\"assign\"}", "\"brew\" is missing" },
        { "{\"do\":\"assign\",\"brew\":\"pier-20261125-001\"}", "there is none yet" },
        { "{\"do\":\"since\"}", "\"seq\" is a whole number" },
        { "{\"do\":\"since\",\"seq\":-1}", "\"seq\" is a whole number" },
        { "{\"do\":\"since\",\"seq\":1,\"most\":\"all\"}", "\"most\" is a whole number" },
        { "{\"do\":\"plan\",\"plan\":\"next\"}", "no plan is loaded" },
        { "{\"do\":\"plan\"}", "one of load, show, next" },
        { "{\"do\":\"plan\",\"plan\":\"load\"}", "\"text\" is missing" },
        { "{\"do\":\"plan\",\"plan\":\"load\",\"text\":\"[vary]\\nsoak = 1\"}", "line 2: \"soak\" is not known" },
        { "{\"do\":\"\xc3\x84rger\xc3\x84rger\xc3\x84rger\xc3\x84rger\xc3\x84rger\xc3\x84rger\"}", "one of status" },
    };
    struct room *room = *state;

    for (size_t i = 0; i < sizeof table / sizeof *table; i++)
        refuses(room, table[i][0], table[i][1]);
}

static void test_a_request_too_long_is_refused(void **state)
{
    struct room *room = *state;
    size_t length = 70000, reply_length;
    char *text = malloc(length), *reply;

    memset(text, ' ', length);
    reply = control_answer(&room->control, &(struct guest){ .name = "ines", .role = ROLE_CONTROL }, text, length,
                           room->now, &reply_length);
    assert_non_null(strstr(reply, "65536 are the most"));
    free(reply);
    free(text);
}

static void test_an_id_comes_back(void **state)
{
    json_t *reply = ask(*state, "{\"do\":\"dance\",\"id\":[1,\"a\"]}");

    assert_int_equal(json_array_size(json_object_get(reply, "id")), 2);
    json_decref(reply);
}

static void test_a_tare_reaches_the_scale_of_the_station(void **state)
{
    struct room *room = *state;

    agrees(room, "{\"do\":\"tare\",\"station\":\"left\"}");
    assert_int_equal(room->ordered, 0);
    assert_int_equal(room->order, ORDER_TARE);
    agrees(room, "{\"do\":\"zero\",\"instrument\":\"refractometer\"}");
    assert_int_equal(room->ordered, 2);
    assert_int_equal(room->order, ORDER_ZERO);
}

/* {"do":"mark"} at so many seconds of the test; `brew` NULL: none is named. */
static const char *mark_text(const char *stage, int at_s, const char *brew)
{
    static char text[200];
    int length =
        snprintf(text, sizeof text, "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"%s\",\"at_us\":%d000000", stage,
                 2000 + at_s);

    snprintf(text + length, sizeof text - (size_t)length, brew ? ",\"brew\":\"%s\"}" : "}", brew);
    return text;
}

static void at_second(struct room *room, int at_s)
{
    room->now.mono_us = INT64_C(1000000) * (2000 + at_s);
}

/* Marks alone make the times of a brew that no scale has seen; after its end they are corrected, and what follows with
 * them. */
static void test_a_brew_is_marked_also_after_its_end(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[200];

    at_second(room, 0);
    agrees(room, "{\"do\":\"begin\",\"station\":\"left\"}");
    strcpy(name, find_emitted(room, MESSAGE_BREW, BREW_BEGIN)->brew.brew);
    at_second(room, 200);
    agrees(room, mark_text("pour", 10, NULL));
    agrees(room, mark_text("press", 130, NULL));
    assert_float_equal(last_of(room, MEASURE_STEEP_S), 120, 1e-9);
    assert_float_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STEEP_S)->measure.standard_uncertainty,
                       0.2 * sqrt(2), 1e-6);
    agrees(room, mark_text("weigh", 160, NULL));
    assert_float_equal(last_of(room, MEASURE_PRESS_S), 30, 1e-9);
    at_second(room, 210);
    agrees(room, "{\"do\":\"end\",\"station\":\"left\"}");
    at_second(room, 260);
    /* the press began ten seconds sooner; what came behind it is reported again */
    agrees(room, mark_text("press", 120, NULL));
    assert_string_equal(room->emitted[0].stage.brew, name);
    assert_int_equal(room->emitted[0].stage.by, BY_OPERATOR);
    assert_non_null(find_emitted(room, MESSAGE_STAGE, STAGE_WEIGH));
    assert_float_equal(last_of(room, MEASURE_STEEP_S), 110, 1e-9);
    assert_float_equal(last_of(room, MEASURE_PRESS_S), 40, 1e-9);
    /* and five later again: reported from the stage before, which takes the earlier press back */
    agrees(room, mark_text("press", 125, name));
    assert_int_equal(room->emitted[0].stage.stage, STAGE_POUR);
    assert_float_equal(last_of(room, MEASURE_STEEP_S), 115, 1e-9);
    /* a stir that was not seen is put in, and the settling after it */
    agrees(room, mark_text("stir", 60, NULL));
    assert_non_null(find_emitted(room, MESSAGE_STAGE, STAGE_PRESS));
    agrees(room, mark_text("settle", 70, NULL));
    assert_float_equal(last_of(room, MEASURE_SETTLE_S), 55, 1e-9);
    /* a press before both takes them back, and the time with them */
    agrees(room, mark_text("press", 55, NULL));
    assert_true(isnan(last_of(room, MEASURE_SETTLE_S)));
    assert_null(find_emitted(room, MESSAGE_STAGE, STAGE_STIR));
    agrees(room, mark_text("press", 125, NULL));
    refuses(room, mark_text("dose", 150, NULL), "cannot begin after its pour");
    refuses(room, mark_text("stir", 180, NULL), "cannot begin after its press");
    refuses(room, mark_text("bloom", 161, NULL), "cannot begin after its press");
    /* the first moves later: idle, which is before it, takes it back */
    agrees(room, mark_text("pour", 12, NULL));
    assert_int_equal(room->emitted[0].stage.stage, STAGE_IDLE);
    assert_int_equal(room->emitted[0].stage.at_us, 2010000000);
    assert_int_equal(room->emitted[1].stage.stage, STAGE_POUR);
    assert_float_equal(last_of(room, MEASURE_STEEP_S), 113, 1e-9);
    agrees(room, mark_text("pour", 10, NULL));
    assert_int_equal(room->emitted[0].stage.stage, STAGE_POUR);
    refuses(room, mark_text("done", 180, NULL), "done cannot");
    refuses(room, mark_text("press", 230, name), "was not brewed then");
    refuses(room, mark_text("press", 230, NULL), "No brew is running");
    assert_float_equal(brews_find(&room->stations.brews, name)->measures.value[MEASURE_STEEP_S], 115, 1e-9);
    brews_find(&room->stations.brews, name)->earlier_boot = true;
    refuses(room, mark_text("press", 125, name), "before the computer was restarted");
    refuses(room, mark_text("press", 125, NULL), "No brew is running");
    snprintf(text, sizeof text, "{\"do\":\"discard\",\"brew\":\"%s\"}", name);
    agrees(room, text);
    refuses(room, mark_text("press", 125, name), "is discarded: it takes no marks");
}

static void test_measures_that_cannot_be_are_refused(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[160];

    brew_one(room, "left", name);
    refuses(room, "{\"do\":\"enter\",\"measure\":\"dose_g\",\"value\":-3}", "dose_g must be ");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"strength_pct\",\"value\":95}", "strength_pct must be ");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"extraction_pct\",\"value\":20}", "computed from others");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"dose_g\"}", "\"value\" is missing");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"dose\",\"value\":1}", "\"measure\" is one of dose_g");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"dose_g\",\"value\":15,\"standard_uncertainty\":-1}", "not below 0");
    snprintf(text, sizeof text, "{\"do\":\"discard\",\"brew\":\"%s\",\"reason\":\"spilled\"}", name);
    agrees(room, text);
    assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_DISCARD)->brew.note, "spilled");
    refuses(room, text, "already");
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"dose_g\",\"value\":15}", name);
    refuses(room, text, "discarded");
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\"}", name);
    refuses(room, text, "discarded");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_nonsense_is_refused_with_what_would_be_right, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_request_too_long_is_refused, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_an_id_comes_back, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_tare_reaches_the_scale_of_the_station, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_brew_is_marked_also_after_its_end, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_measures_that_cannot_be_are_refused, set_up, tear_down),
    };

    setenv("TZ", "UTC", 1);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
