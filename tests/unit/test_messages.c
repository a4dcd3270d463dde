/* The message codec: what is written reads back the same, digits and all; what is no message is
 * refused; and messages.schema.json agrees with the reader about which is which (checked by
 * python3-jsonschema, an independent reading of JSON Schema 2020-12). */
#include <errno.h>
#include <locale.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "poise/messages.h"

#define BOOT "0f8fad5b-d9cb-469f-a165-70867728950e"
#define COMMON                                                                     \
    "{'v':1,'bench':'pier','seq':41,'time_us':1764063000000000,'mono_us':5000000," \
    "'boot':'" BOOT "',"
#define BREW "'brew':'pier-20261125-007','station':'left',"
#define STATE_STATION                                                                                \
    "{'station':'left','stage':'steep','stage_at_us':4000000,"                                       \
    "'brew':'pier-20261125-007',"                                                                    \
    "'first_water_us':3000000,'load_g':520.5,'water_g':230.1,'flow_g_per_s':0.0,'press_kpa':null,"   \
    "'added_g':null,'weighed_g':15.1,'tared':true,'cup_left':false,"                                 \
    "'piston_diameter_mm':60,'press_limit_kpa':24,'stages':[{'stage':'dose','at_us':1}],"            \
    "'measures':{'dose_g':{'value':15.02,'standard_uncertainty':0.03}},'above':['press_peak_kpa'],"  \
    "'next':{'experiment':'ferry-steep','run':4,'of':15,'replicate':1,'factors':{'steep_s':120},"    \
    "'recipe':{'dose_g':15.0,'stir':'swirl'},'tolerances':{'dose_g':0.1},'open':[{'steep_s':150}]}," \
    "'question':{'brew':'pier-20261125-007','question':'dose','measure':'dose_g',"                   \
    "'detail':'How many grams?','guess':15.1,'guess_u':0.4}}"
#define STATE_REST                                                                                    \
    "'waiting':[{'brew':'pier-20261125-006','station':'left','have':1,'want':3,'since_us':4100000}]," \
    "'unsure':[{'seq':12,'strength_pct':1.43,'likely':'pier-20261125-005','chance':0.6,"              \
    "'other':'pier-20261125-006','other_chance':0.4}],"                                               \
    "'last':null,'units':{'mass':'g','pressure':'bar','temperature':'F'},'plan':{'experiment':'ferry-steep','title':'How long','done':3,'of':15}}"
#define STATE_INSTRUMENT                                                                \
    "{'instrument':'left-scale','quantity':'mass','station':'left',"                    \
    "'driver':'line',"                                                                  \
    "'port':'/dev/ttyUSB0','condition':'ready','value':250.1,'unit':'g','stable':true," \
    "'status':'ok',"                                                                    \
    "'mono_us':4990000,'rate_hz':10.1,'rejects':{'grammar':3}}"

/* JSON is easier on the eye with ' for its quotes: these put the real ones in. */
static const char *quoted(const char *text)
{
    static char real[MESSAGE_SIZE];
    size_t i = 0;

    for (; text[i] && i < sizeof real - 1; i++)
        real[i] = text[i] == '\'' ? '"' : text[i];
    real[i] = '\0';
    return real;
}

/* Texts and whether they are messages: the reader and the schema must both say so. */
static const struct {
    const char *topic, *kind, *text;
    bool good;
} cases[] = {
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','station':'left',"
             "'quantity':'mass',"
             "'value':12.30,'unit':'g','stable':true,'status':'ok'}",
      true },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':null,'unit':'g','stable':null,'status':'overload'}",
      true },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':3.1,'unit':'g','stable':null,'status':'overload'}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':null,'unit':'g','stable':null,'status':'ok'}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':'12.3','unit':'g','stable':null,'status':'ok'}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':12.3,'unit':'kg','stable':null,'status':'ok'}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'charm',"
             "'value':12.3,'unit':'g','stable':null,'status':'ok'}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':12.3,'unit':'g','stable':1,'status':'ok'}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'brix',"
             "'value':12.3,'unit':'°Bx','stable':null,'status':'ok','detail':'temp-out-of-range'}",
      true },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':12.3,'unit':'g','stable':null,'status':'ok','detail':7}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','station':'left','quantity':'mass',"
             "'value':12.3,'unit':'g','stable':null,'status':'ok',"
             "'load_g':512.25,'water_g':0,'flow_g_per_s':-0.5,'press_kpa':21.04}",
      true },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','station':'left','quantity':'mass',"
             "'value':12.3,'unit':'g','stable':null,'status':'ok',"
             "'load_g':512.25,'added_g':-0.1,'weighed_g':15.04,'tared':true,'cup_left':true}",
      true },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':12.3,'unit':'g','stable':null,'status':'ok','tared':false}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':12.3,'unit':'g','stable':null,'status':'ok','load_g':null}",
      false },
    { "reading/pier/left-scale", "reading",
      COMMON "'instrument':'left-scale','quantity':'mass',"
             "'value':12.3,'unit':'g','stable':null,'status':'ok','water_g':'230'}",
      false },
    { "reading/pier/Left", "reading",
      COMMON "'instrument':'Left','quantity':'mass',"
             "'value':12.3,'unit':'g','stable':true,'status':'ok'}",
      false },
    { "event/pier/brew", "brew",
      COMMON BREW "'change':'begin','at_us':4000000,"
                  "'plan':{'experiment':'ferry-steep',"
                  "'run':4,'replicate':1,'factors':{'steep_s':120},'recipe':{'dose_g':15.0}}}",
      true },
    { "event/pier/brew", "brew",
      COMMON BREW "'change':'end','at_us':4000000,'plan_kept':false,"
                  "'note':'Steep 131 s, planned 120 s',"
                  "'measures':{'dose_g':{'value':15.02,'standard_uncertainty':0.03}}}",
      true },
    { "event/pier/brew", "brew", COMMON BREW "'change':'verdict','at_us':4000000,'plan_kept':true}", true },
    { "event/pier/brew", "brew", COMMON BREW "'change':'end','at_us':4000000}", false },
    { "event/pier/brew", "brew", COMMON BREW "'change':'discard','at_us':4000000,'by':'operator'}", true },
    { "event/pier/brew", "brew", COMMON BREW "'change':'discard','at_us':4000000,'by':'chance'}", false },
    { "event/pier/instrument", "instrument",
      COMMON "'instrument':'left-scale','change':'ordered',"
             "'detail':'to tare'}",
      true },
    { "event/pier/brew", "brew",
      COMMON BREW "'change':'end','at_us':4000000,"
                  "'measures':{'dose_g':{'value':15.02,'standard_uncertainty':-0.03}}}",
      false },
    { "event/pier/brew", "brew", COMMON BREW "'change':'begin','at_us':4000000,'plan':[]}", false },
    { "event/pier/brew", "brew",
      COMMON "'brew':'number seven','station':'left','change':'begin',"
             "'at_us':4000000}",
      false },
    { "event/pier/brew", "brew", COMMON "'station':'left','change':'begin','at_us':4000000}", false },
    { "event/pier/stage", "stage",
      COMMON BREW "'stage':'weigh','at_us':4000000,'uncertainty_us':90000,"
                  "'by':'tracker'}",
      true },
    { "event/pier/stage", "stage",
      COMMON "'brew':null,'station':'left','stage':'idle','at_us':4,"
             "'uncertainty_us':0,'by':'operator'}",
      true },
    { "event/pier/stage", "stage",
      COMMON BREW "'stage':'nap','at_us':4000000,'uncertainty_us':90000,"
                  "'by':'tracker'}",
      false },
    { "event/pier/stage", "stage",
      COMMON BREW "'stage':'steep','at_us':4000000.5,'uncertainty_us':90000,"
                  "'by':'tracker'}",
      false },
    { "event/pier/stage", "stage",
      COMMON BREW "'stage':'steep','at_us':4000000,'uncertainty_us':-1,"
                  "'by':'tracker'}",
      false },
    { "event/pier/measure", "measure",
      COMMON BREW "'measure':'press_peak_kpa','value':31.5,"
                  "'standard_uncertainty':null,'above':true,'by':'tracker'}",
      true },
    { "event/pier/measure", "measure",
      COMMON BREW "'measure':'dose_g','value':null,"
                  "'standard_uncertainty':null,'by':'operator'}",
      true },
    { "event/pier/measure", "measure",
      COMMON BREW "'measure':'dose_kg','value':1,"
                  "'standard_uncertainty':null,'by':'operator'}",
      false },
    { "event/pier/measure", "measure",
      COMMON BREW "'measure':'dose_g','value':1,"
                  "'standard_uncertainty':null,'by':'chance'}",
      false },
    { "event/pier/instrument", "instrument",
      COMMON "'instrument':'left-scale','change':'lost',"
             "'detail':'unplugged'}",
      true },
    { "event/pier/instrument", "instrument",
      COMMON "'instrument':'left-scale','change':'bored',"
             "'detail':''}",
      false },
    { "event/pier/warning", "warning",
      COMMON "'brew':null,'warning':'clock-stepped',"
             "'detail':'by 2 s'}",
      true },
    { "event/pier/warning", "warning", COMMON BREW "'warning':'press-too-hard','detail':'41 kPa'}", true },
    { "event/pier/warning", "warning", COMMON "'brew':7,'warning':'clock-stepped','detail':'by 2 s'}", false },
    { "event/pier/warning", "warning", COMMON "'brew':null,'warning':'clock stepped','detail':''}", false },
    { "state/pier", "state",
      COMMON "'rate':20,'instruments':[" STATE_INSTRUMENT "],"
             "'stations':[" STATE_STATION "]," STATE_REST,
      true },
    { "state/pier", "state", COMMON "'instruments':[],'stations':[7]," STATE_REST, false },
    { "state/pier", "state", COMMON "'instruments':{},'stations':[]," STATE_REST, false },
    { "state/pier", "state", "[]", false },
    { "state/pier", "state",
      "{'v':0,'bench':'pier','seq':1,'time_us':1,'mono_us':1,'boot':'b',"
      "'instruments':[],'stations':[]," STATE_REST,
      false },
    { "state/pier", "state",
      "{'v':1,'bench':'pier','seq':-1,'time_us':1,'mono_us':1,'boot':'b',"
      "'instruments':[],'stations':[]," STATE_REST,
      false },
    { "state/pier", "state", COMMON "'rate':0,'instruments':[],'stations':[]," STATE_REST, false },
    { "event/pier/instrument", "instrument",
      "{'v':1,'bench':'pier','seq':1,'time_us':1,'mono_us':1,"
      "'instrument':'left-scale','change':'lost','detail':''}",
      false },
};

static int read_text(const char *topic, const char *text, struct message *out, struct why *why)
{
    return message_read(topic, strlen(topic), quoted(text), strlen(text), out, why);
}

static void reader_takes_messages_and_refuses_the_rest(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct message message = { .kind = MESSAGE_WARNING };
        struct why why = { "" };
        int error = read_text(cases[i].topic, cases[i].text, &message, &why);

        if ((error == 0) != cases[i].good)
            fail_msg("case %zu: %s\n%s", i, cases[i].text, why.text);
        if (error == 0) {
            message_free(&message);
        } else {
            assert_int_equal(error, -EINVAL);
            assert_true(strlen(why.text) > 20);
            assert_null(message.json); /* untouched */
        }
    }
}

static void schema_agrees_with_the_reader(void **state)
{
    FILE *python = popen("python3 -c 'import json, sys, jsonschema\n"
                         "schema = json.load(open(sys.argv[1]))\n"
                         "jsonschema.Draft202012Validator.check_schema(schema)\n"
                         "wrong = 0\n"
                         "for line in sys.stdin:\n"
                         "    kind, good, text = line.split(\" \", 2)\n"
                         "    whole = jsonschema.Draft202012Validator(schema)\n"
                         "    one = jsonschema.Draft202012Validator(dict(schema,"
                         "anyOf=[{\"$ref\": \"#/$defs/\" + kind}]))\n"
                         "    for which in whole, one:\n"
                         "        if which.is_valid(json.loads(text)) != (good == \"1\"):\n"
                         "            wrong += 1; print(kind, good, text)\n"
                         "sys.exit(wrong > 0)' " TEST_FOLDER "/../../include/poise/messages.schema.json",
                         "w");

    (void)state;
    assert_non_null(python);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
        fprintf(python, "%s %d %s\n", cases[i].kind, cases[i].good, quoted(cases[i].text));
    assert_int_equal(pclose(python), 0);
}

static void every_message_cut_short_is_refused(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
        for (size_t length = 0; length < strlen(cases[i].text); length++) {
            /* a copy of just this length, so that the sanitizer sees a read beyond it */
            char *part = malloc(length + 1);
            struct message message;
            struct why why;

            assert_non_null(part);
            memcpy(part, quoted(cases[i].text), length);
            part = realloc(part, length ? length : 1);
            assert_int_equal(message_read(cases[i].topic, strlen(cases[i].topic), part, length, &message, &why),
                             -EINVAL);
            free(part);
        }
}

static struct message a_message(enum message_kind kind)
{
    return (struct message){ .kind = kind,
                             .common = { .bench = "pier",
                                         .seq = 41,
                                         .time_us = 1764063000000000,
                                         .mono_us = 5000000,
                                         .boot = BOOT,
                                         .rate = 1 } };
}

/* Writes, checks the text, reads it back; the caller frees. */
static struct message round_trip(const struct message *message, const char *expected)
{
    char text[MESSAGE_SIZE], topic[TOPIC_SIZE];
    struct message back;
    struct why why;
    int length = message_write(message, text, sizeof text), topic_length = message_topic(message, topic);

    assert_true(length > 0);
    assert_int_equal(topic_length, strlen(topic));
    text[length] = '\0';
    assert_string_equal(text, quoted(expected));
    if (message_read(topic, (size_t)topic_length, text, (size_t)length, &back, &why) < 0)
        fail_msg("%s", why.text);
    assert_int_equal(back.kind, message->kind);
    assert_true(back.common.seq == message->common.seq && back.common.mono_us == message->common.mono_us
                && back.common.time_us == message->common.time_us);
    return back;
}

static void readings_keep_their_digits(void **state)
{
    static const struct {
        struct decimal value;
        const char *digits;
    } values[] = { { { 1230, -2 }, "12.30" },     { { -5, -1 }, "-0.5" },
                   { { 0, -1 }, "0.0" },          { { 0, 0 }, "0" },
                   { { 133299, -5 }, "1.33299" }, { { 999999999999999999, -9 }, "999999999.999999999" },
                   { { -3000, 0 }, "-3000" } };

    (void)state;
    for (size_t i = 0; i < sizeof values / sizeof *values; i++) {
        struct message message = a_message(MESSAGE_READING), back;
        char expected[400];

        message.reading = (struct message_reading){ .instrument = "left-scale",
                                                    .station = "left",
                                                    .quantity = QUANTITY_MASS,
                                                    .value = values[i].value,
                                                    .weighs_cup = i % 2 };
        snprintf(expected, sizeof expected,
                 COMMON "'instrument':'left-scale','station':'left',%s"
                        "'quantity':'mass','value':%s,'unit':'g','stable':false,'status':'ok'}",
                 i % 2 ? "'weighs':'cup'," : "", values[i].digits);
        back = round_trip(&message, expected);
        assert_true(back.reading.value.mantissa == values[i].value.mantissa);
        assert_int_equal(back.reading.value.exponent, values[i].value.exponent);
        assert_int_equal(back.reading.stable, 0);
        assert_string_equal(back.reading.station, "left");
        assert_int_equal(back.reading.weighs_cup, i % 2);
        message_free(&back);
    }
}

/* What is not known is left out; thousandths of a gram and hundredths of the rest are enough. */
static void readings_carry_what_the_tracker_knows(void **state)
{
    struct message message = a_message(MESSAGE_READING), back;

    (void)state;
    message.reading = (struct message_reading){ .instrument = "left-scale",
                                                .station = "left",
                                                .quantity = QUANTITY_MASS,
                                                .value = { 123, -1 },
                                                .stable = -1,
                                                .tracked = true,
                                                .load_g = 512.2504,
                                                .water_g = NAN,
                                                .flow_g_per_s = -0.004,
                                                .press_kpa = 21.0,
                                                .added_g = NAN,
                                                .weighed_g = NAN };
    back = round_trip(&message, COMMON "'instrument':'left-scale','station':'left','quantity':'mass','value':12.3,"
                                       "'unit':'g','stable':null,'status':'ok','load_g':512.25,'flow_g_per_s':0,"
                                       "'press_kpa':21}");
    assert_true(back.reading.tracked && back.reading.load_g == 512.25 && back.reading.press_kpa == 21);
    assert_true(isnan(back.reading.water_g) && back.reading.flow_g_per_s == 0);
    assert_true(isnan(back.reading.added_g) && !back.reading.tared && !back.reading.cup_left);
    message_free(&back);
    message.reading.flow_g_per_s = message.reading.press_kpa = NAN;
    message.reading.added_g = 0.25;
    message.reading.weighed_g = 15.0402;
    message.reading.tared = message.reading.cup_left = true;
    back = round_trip(&message, COMMON "'instrument':'left-scale','station':'left','quantity':'mass','value':12.3,"
                                       "'unit':'g','stable':null,'status':'ok','load_g':512.25,'added_g':0.25,"
                                       "'weighed_g':15.04,'tared':true,'cup_left':true}");
    assert_true(back.reading.added_g == 0.25 && back.reading.weighed_g == 15.04);
    assert_true(back.reading.tared && back.reading.cup_left);
    message_free(&back);
    message.reading.tracked = false;
    back = round_trip(&message, COMMON "'instrument':'left-scale','station':'left','quantity':'mass','value':12.3,"
                                       "'unit':'g','stable':null,'status':'ok'}");
    assert_true(!back.reading.tracked && isnan(back.reading.load_g));
    message_free(&back);
}

/* A foreign writer may order and space as it likes, and put decoys around the value. */
static void digits_are_found_wherever_they_stand(void **state)
{
    static const char text[] =
        " {\"more\":{\"value\":9.99,\"list\":[\"value\",{\"value\":1}]},"
        "\"note\":\"\\\"value\\\":7.5\",\"word\":\"value\","
        "\"stable\":null,\"value\" :\t0.0120 ,\"v\":1,\"bench\":\"pier\",\"seq\":1,\"time_us\":1,\"mono_us\":1,"
        "\"boot\":\"b\","
        "\"instrument\":\"left-scale\",\"quantity\":\"mass\",\"unit\":\"g\",\"status\":\"ok\"}";
    static const char *const refused[] = { "1e3", "12.3E1", "1234567890123456789.5" };
    struct message message;
    struct why why;

    (void)state;
    assert_int_equal(read_text("reading/pier/left-scale", text, &message, &why), 0);
    assert_true(message.reading.value.mantissa == 120 && message.reading.value.exponent == -4);
    message_free(&message);
    for (size_t i = 0; i < sizeof refused / sizeof *refused; i++) {
        char other[600];

        snprintf(other, sizeof other,
                 COMMON "'instrument':'left-scale','quantity':'mass',"
                        "'value':%s,'unit':'g','stable':null,'status':'ok'}",
                 refused[i]);
        assert_int_equal(read_text("reading/pier/left-scale", other, &message, &why), -EINVAL);
        assert_non_null(strstr(why.text, "digits"));
    }
}

/* Readings have a quick reader of their own for their usual shape; a blank in front sends them to the
 * general one.  Whatever one byte is changed to, both must come to the same. */
static void quick_and_general_reader_agree(void **state)
{
    static const char changes[] = "{}[]\"\\:,.-+eE019ntaz \xc2\xb0";
    static const char topic[] = "reading/pier/left-scale";
    int read = 0;

    (void)state;
    for (size_t c = 0; c < sizeof cases / sizeof *cases && strcmp(cases[c].kind, "reading") == 0; c++)
        for (size_t i = 0; i < strlen(cases[c].text); i++)
            for (size_t k = 0; changes[k]; k++) {
                struct message quick, general;
                char text[MESSAGE_SIZE] = " ";
                size_t length = strlen(cases[c].text);
                struct why why;
                int error;

                memcpy(text + 1, quoted(cases[c].text), length);
                text[1 + i] = changes[k];
                error = message_read(topic, strlen(topic), text + 1, length, &quick, &why);
                assert_int_equal(error, message_read(topic, strlen(topic), text, length + 1, &general, &why));
                if (error < 0)
                    continue;
                assert_memory_equal(&quick.common, &general.common, sizeof quick.common);
                assert_memory_equal(&quick.reading, &general.reading, sizeof quick.reading);
                message_free(&quick);
                message_free(&general);
                read++;
            }
    assert_true(read > 1000);
}

static void brews_carry_measures_and_plan(void **state)
{
    char plan[200];
    struct message message = a_message(MESSAGE_BREW), back;

    (void)state;
    measures_clear(&message.brew.measures);
    strcpy(message.brew.brew, "pier-20261125-007");
    strcpy(message.brew.station, "left");
    message.brew.change = BREW_END;
    message.brew.at_us = 4000000;
    message.brew.plan_kept = 1;
    message.brew.measures.value[MEASURE_DOSE_G] = 15.02;
    message.brew.measures.standard_uncertainty[MEASURE_DOSE_G] = 0.03;
    message.brew.measures.value[MEASURE_STEEP_S] = 1.0 / 3;
    back = round_trip(&message, COMMON BREW "'change':'end','at_us':4000000,"
                                            "'measures':{'dose_g':{'value':15.02,"
                                            "'standard_uncertainty':0.03},'steep_s':{'value':0.33333333333333331,"
                                            "'standard_uncertainty':null}},"
                                            "'plan_kept':true}");
    assert_true(back.brew.measures.value[MEASURE_STEEP_S] == 1.0 / 3);
    assert_true(isnan(back.brew.measures.standard_uncertainty[MEASURE_STEEP_S]));
    assert_true(isnan(back.brew.measures.value[MEASURE_WATER_G]));
    assert_int_equal(back.brew.plan_kept, 1);
    assert_null(back.brew.plan_json);
    message_free(&back);

    message.brew.change = BREW_BEGIN;
    message.brew.plan_kept = -1;
    message.brew.by = BY_OPERATOR;
    strcpy(plan, quoted("{'experiment':'ferry-steep','run':4,'replicate':1,"
                        "'factors':{'steep_s':120},'recipe':{}}"));
    message.brew.plan_json = plan;
    back = round_trip(&message, COMMON BREW "'change':'begin','at_us':4000000,'by':'operator',"
                                            "'plan':{'experiment':'ferry-steep',"
                                            "'run':4,'replicate':1,'factors':{'steep_s':120},'recipe':{}}}");
    assert_string_equal(back.brew.plan_json, plan);
    assert_int_equal(back.brew.plan_kept, -1);
    assert_int_equal(back.brew.by, BY_OPERATOR);
    message_free(&back);
}

static void a_strength_says_where_its_uncertainty_comes_from(void **state)
{
    struct message message = a_message(MESSAGE_MEASURE), back;
    struct why why;

    (void)state;
    strcpy(message.measure.brew, "pier-20261125-007");
    strcpy(message.measure.station, "left");
    message.measure.measure = MEASURE_STRENGTH_PCT;
    message.measure.value = 1.5;
    message.measure.standard_uncertainty = 0.625;
    message.measure.from_readings = true;
    message.measure.sample_c = NAN;
    budget_clear(&message.measure.budget);
    message.measure.budget.u[BUDGET_REPEAT] = 0.5;
    message.measure.budget.freedom[BUDGET_REPEAT] = 6;
    message.measure.budget.u[BUDGET_BLANK] = 0.375;
    back = round_trip(&message, COMMON BREW "'measure':'strength_pct','value':1.5,'standard_uncertainty':0.625,"
                                            "'by':'tracker','readings':[],'filtered':false,'budget':{'repeat':"
                                            "{'standard_uncertainty':0.5,'freedom':6},'blank':"
                                            "{'standard_uncertainty':0.375}}}");
    assert_true(budget_combined(&back.measure.budget) == 0.625);
    assert_true(back.measure.budget.freedom[BUDGET_REPEAT] == 6 && isinf(back.measure.budget.freedom[BUDGET_BLANK]));
    message_free(&back);
    assert_int_equal(read_text("event/pier/measure",
                               COMMON BREW "'measure':'strength_pct','value':1.5,'standard_uncertainty':0.6,"
                                           "'by':'tracker','budget':{'repeat':{'standard_uncertainty':-1}}}",
                               &back, &why),
                     -EINVAL);
    assert_int_equal(read_text("event/pier/measure",
                               COMMON BREW "'measure':'strength_pct','value':1.5,'standard_uncertainty':0.6,"
                                           "'by':'tracker','budget':{'weather':{'standard_uncertainty':1}}}",
                               &back, &why),
                     0);
    assert_true(budget_combined(&back.measure.budget) == 0);
    message_free(&back);
}

static void texts_are_escaped_and_cut_between_characters(void **state)
{
    struct message message = a_message(MESSAGE_WARNING), back;
    char long_text[4 * DETAIL_SIZE] = COMMON "'brew':null,'warning':'overload','detail':'a";
    struct why why;

    (void)state;
    message.common.rate = 20;
    strcpy(message.warning.warning, "overload");
    strcpy(message.warning.detail, "say \"no\\\"\n\x01 \xc3\x28 \xed\xa0\x80 \xe2\x82\xac\x7f");
    back = round_trip(&message, "{\"v\":1,\"bench\":\"pier\",\"seq\":41,\"time_us\":1764063000000000,"
                                "\"mono_us\":5000000,"
                                "\"boot\":\"" BOOT "\",\"rate\":20,\"brew\":null,\"warning\":\"overload\","
                                "\"detail\":\"say \\\"no\\\\\\\"\\u000a"
                                "\\u0001 \xef\xbf\xbd( \xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd \xe2\x82\xac\\u007f\"}");
    assert_string_equal(back.warning.detail,
                        "say \"no\\\"\n\x01 \xef\xbf\xbd( \xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd \xe2\x82\xac\x7f");
    assert_true(back.common.rate == 20);
    message_free(&back);

    for (int i = 0; i < DETAIL_SIZE; i++)
        strcat(long_text, "\xc2\xb0");
    strcat(long_text, "'}");
    assert_int_equal(read_text("event/pier/warning", long_text, &back, &why), 0);
    assert_int_equal(strlen(back.warning.detail), DETAIL_SIZE - 1); /* 1 + 2 x 159 */
    assert_true((unsigned char)back.warning.detail[DETAIL_SIZE - 2] == 0xb0);
    message_free(&back);
}

static void a_buffer_too_small_is_said_at_any_size(void **state)
{
    struct message message = a_message(MESSAGE_READING);
    char whole[MESSAGE_SIZE];
    int length;

    (void)state;
    message.reading = (struct message_reading){
        .instrument = "left-scale", .quantity = QUANTITY_BRIX, .status = READING_FAULT, .stable = -1
    };
    length = message_write(&message, whole, sizeof whole);
    for (int size = 0; size < length; size++) {
        char *small = malloc((size_t)size + 1);

        assert_non_null(small);
        assert_int_equal(message_write(&message, small, (size_t)size), -ENOSPC);
        free(small);
    }
    assert_int_equal(message_write(&message, whole, (size_t)length), length);
}

static void topic_and_message_must_agree(void **state)
{
    static const char *const topics[] = { "reading/pier/right-scale",
                                          "reading/dock/left-scale",
                                          "event/pier/brew",
                                          "state/pier",
                                          "reading/",
                                          "",
                                          "event/pier/",
                                          "event/pier/tea",
                                          "reading/pier/left-scale/x" };
    struct message message;
    struct why why;

    (void)state;
    for (size_t i = 0; i < sizeof topics / sizeof *topics; i++)
        assert_int_equal(read_text(topics[i], cases[0].text, &message, &why), -EINVAL);
    assert_int_equal(
        message_read("reading/pier/left-scale\0x", 25, quoted(cases[0].text), strlen(cases[0].text), &message, &why),
        -EINVAL);
}

static void a_newer_version_is_reported_from_nonsense(void **state)
{
    struct message message;
    struct why why;

    (void)state;
    assert_int_equal(read_text("state/pier", "{'v':2,'brand':'new'}", &message, &why), -EPROTO);
    assert_non_null(strstr(why.text, "newer"));
}

static void numbers_do_not_follow_the_locale(void **state)
{
    static const double values[] = { 0.1, 1e21, -2.5e-7, 15.02, 1 / 3.0, 123456789.123456789 };
    static const char *const locales[] = { "de_DE.UTF-8", "fr_FR.UTF-8", "C" };
    char text[64];

    (void)state;
    for (size_t l = 0; l < sizeof locales / sizeof *locales; l++) {
        setlocale(LC_NUMERIC, locales[l]); /* a locale that is not installed changes nothing */
        for (size_t i = 0; i < sizeof values / sizeof *values; i++) {
            int length = message_write_number(values[i], text, sizeof text);
            json_t *json = json_loadb(text, (size_t)length, JSON_DECODE_ANY, NULL);

            assert_non_null(json);
            assert_true(json_number_value(json) == values[i]);
            json_decref(json);
        }
    }
    setlocale(LC_NUMERIC, "C");
    assert_int_equal(message_write_number(NAN, text, sizeof text), 4);
    assert_memory_equal(text, "null", 4);
}

static void brews_come_in_the_order_of_their_names(void **state)
{
    static const char *const order[] = {
        "pier-20261124-1001", "pier-20261125-007",  "pier-20261125-010",
        "pier-20261125-999",  "pier-20261125-1000", "pier-20261126-001",
    };

    (void)state;
    for (int i = 0; i < 6; i++)
        for (int j = 0; j < 6; j++) {
            int sign = brew_name_order(order[i], order[j]);

            assert_int_equal((sign > 0) - (sign < 0), (i > j) - (i < j));
        }
}

static void names_follow_their_rules(void **state)
{
    static const struct {
        const char *name;
        bool good;
    } brews[] = { { "pier-20261125-007", true },
                  { "a-b-20261125-1234", true },
                  { "pier-20261125-07", false },
                  { "-20261125-007", false },
                  { "pier-2026112-007", false },
                  { "pier-20261125-00x", false },
                  { "Pier-20261125-007", false },
                  { "pier", false },
                  { "", false },
                  { "pier20261125-007", false },
                  { "abcdefghijklmnopqrstuvwxyz0123456-20261125-007", false },
                  { "20261125-007", false },
                  { "pier-20261125-", false } };

    (void)state;
    for (size_t i = 0; i < sizeof brews / sizeof *brews; i++)
        if (brew_name_valid(brews[i].name) != brews[i].good)
            fail_msg("%s", brews[i].name);
    assert_true(name_valid("left-scale2"));
    assert_true(name_valid("abcdefghijklmnopqrstuvwxyz012345"));
    assert_false(name_valid("abcdefghijklmnopqrstuvwxyz0123456"));
    assert_false(name_valid(""));
    assert_false(name_valid("left scale"));
    assert_false(name_valid("Left"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reader_takes_messages_and_refuses_the_rest),
        cmocka_unit_test(schema_agrees_with_the_reader),
        cmocka_unit_test(every_message_cut_short_is_refused),
        cmocka_unit_test(readings_keep_their_digits),
        cmocka_unit_test(readings_carry_what_the_tracker_knows),
        cmocka_unit_test(digits_are_found_wherever_they_stand),
        cmocka_unit_test(quick_and_general_reader_agree),
        cmocka_unit_test(brews_carry_measures_and_plan),
        cmocka_unit_test(a_strength_says_where_its_uncertainty_comes_from),
        cmocka_unit_test(texts_are_escaped_and_cut_between_characters),
        cmocka_unit_test(a_buffer_too_small_is_said_at_any_size),
        cmocka_unit_test(topic_and_message_must_agree),
        cmocka_unit_test(a_newer_version_is_reported_from_nonsense),
        cmocka_unit_test(numbers_do_not_follow_the_locale),
        cmocka_unit_test(names_follow_their_rules),
        cmocka_unit_test(brews_come_in_the_order_of_their_names),
    };

    return cmocka_run_group_tests_name("messages", tests, NULL, NULL);
}
