/* Memory that is short: each call for it fails in turn, and what was asked ends with an error and a sentence, or goes
 * on without; nothing crashes, nothing leaks.  POISE_WHOLE: nearly every call, else a sample. */
#include "control_room.h"
#include "store_bench.h"

#include "../faults/failing_memory.h"
#include "journal/journal.h"
#include "poise/guide.h"
#include "poise/plan.h"
#include "poise/tasting_record.h"
#include "stations/plan.h"
#include "stations/samples.h"

/* The first calls in turn, then steps that grow; with POISE_WHOLE many more, and steps that do not. */
enum { IN_TURN = 30, IN_TURN_WHOLE = 5000, STEP_WHOLE = 7 };

static long next_after(long number)
{
    if (getenv("POISE_WHOLE"))
        return number + (number < IN_TURN_WHOLE ? 1 : STEP_WHOLE);
    return number + 1 + (number < IN_TURN ? 0 : number / 4);
}

static const char *plan_text = "[experiment]\nname = ferry-steep\ntitle = How long\nreplicates = 3\norder = random\n"
                               "[vary]\nsteep_s = 45, 75, 120, 180 +- 3\ngrind = fine, coarse\n"
                               "[hold]\ndose_g = 15.0 +- 0.1\nwater_g = 230 +- 2\nstir = swirl\n";

/* One way through a part of the whole.  0, or a negative errno; the sentence may be empty where there is none to give.
 */
typedef int scenario(void *fixture, struct why *why);

static void each_call_fails(const char *name, scenario *play, int (*begin)(void **fixture), int (*end)(void **fixture))
{
    bool reached = true;
    long failed = 0, refused = 0;

    for (long number = 1; reached; number = next_after(number)) {
        struct why why = { "" };
        void *fixture = NULL;
        int error;

        assert_int_equal(begin ? begin(&fixture) : 0, 0);
        failing_memory_at(number);
        error = play(fixture, &why);
        reached = failing_memory_over();
        if (error > 0 || (error == 0 && why.text[0] && !reached))
            fail_msg("%s: at call %ld: %d, \"%s\"", name, number, error, why.text);
        if (error < 0 && (!reached || !why.text[0]))
            fail_msg("%s: at call %ld: %s without a sentence or a reason: \"%s\"", name, number, strerror(-error),
                     why.text);
        failed += reached;
        refused += error < 0;
        if (end)
            end(&fixture);
    }
    print_message("%s: %ld calls failed, %ld times it was refused\n", name, failed, refused);
    assert_true(failed > 0);
}

/* ---- plans and what to do now ---- */

static int read_a_plan(void *fixture, struct why *why)
{
    struct plan *plan = fixture;
    struct plan_run runs[64];
    struct plan_mistakes mistakes;
    struct guide_state state;
    struct guide_units units = { 0 };
    struct guide_run run;
    struct guide guide;
    json_t *json;
    int error = plan_read(plan, plan_text, strlen(plan_text), &mistakes, why);

    if (error)
        return error;
    if (plan_order(plan, 7, runs) != 0 || !(json = plan_run_json(plan, &runs[0], 1)))
        return why_set(why, -ENOMEM, "not enough memory");
    guide_run_read(json, &run);
    guide_state_clear(&state);
    guide_now(&run, &state, &units, &guide);
    json_decref(json);
    return guide.now[0] ? 0 : why_set(why, 1, "nothing to do");
}

static int one_plan(void **fixture)
{
    static struct plan plan;

    *fixture = &plan;
    return 0;
}

static void test_plan_and_guide(void **state)
{
    (void)state;
    each_call_fails("plan", read_a_plan, one_plan, NULL);
}

/* ---- messages ---- */

static int read_all_messages(void *fixture, struct why *why)
{
    static const struct {
        const char *topic, *text;
    } all[] = {
        { "reading/pier/left-scale", "\"instrument\":\"left-scale\",\"station\":\"left\",\"quantity\":\"mass\","
                                     "\"value\":12.30,\"unit\":\"g\",\"stable\":true,\"status\":\"ok\"" },
        { "event/pier/brew",
          "\"brew\":\"pier-20261125-001\",\"station\":\"left\",\"change\":\"begin\",\"at_us\":5,"
          "\"plan\":{\"experiment\":\"ferry-steep\",\"run\":4,\"replicate\":2,\"factors\":{\"steep_s\""
          ":75},\"recipe\":{\"dose_g\":15.0}}" },
        { "event/pier/measure",
          "\"brew\":\"pier-20261125-001\",\"station\":\"left\",\"measure\":\"dose_g\",\"value\":15,"
          "\"standard_uncertainty\":0.03,\"by\":\"tracker\"" },
        { "event/pier/warning", "\"brew\":null,\"warning\":\"overload\",\"detail\":\"The scale is loaded\"" },
    };
    int error = 0;

    (void)fixture;
    for (size_t i = 0; i < sizeof all / sizeof *all && !error; i++) {
        struct message message;
        char text[1024];

        snprintf(text, sizeof text,
                 "{\"v\":1,\"bench\":\"pier\",\"seq\":7,\"time_us\":1,\"mono_us\":2,\"boot\":\"b\",%s}", all[i].text);
        error = message_read(all[i].topic, strlen(all[i].topic), text, strlen(text), &message, why);
        if (!error)
            message_free(&message);
    }
    return error;
}

static void test_messages(void **state)
{
    (void)state;
    each_call_fails("messages", read_all_messages, NULL, NULL);
}

/* ---- configuration and drivers ---- */

static const char configuration[] =
    "[bench]\nname = pier\nbus = ipc://bus\ncontrol = ipc://control\njournal = journal.db\n"
    "[station left]\npiston_diameter_mm = 60\n[cup blue]\nmass_g = 341.2\n"
    "[instrument left-scale]\ndriver = line\nport = /dev/ttyUSB0\nserial = 9600 8N1\nquantity = mass\nstation = left\n"
    "tare = T\\r\\n\nask = P\\r\\n every 200 ms\n"
    "[instrument odd]\ndriver = line\nport = /dev/ttyUSB1\nserial = 9600 8N1\nquantity = mass\n"
    "pattern = ^W(?<sign>[-+])\\s*(?<value>[0-9.]+)\\s*(?<unit>g|kg)(?<stable>S)?$\n"
    "[instrument list]\ndriver = line\nport = /dev/ttyUSB2\nserial = 9600 8N1\nquantity = brix\n"
    "fields = nd, brix, temperature\nseparator = ,\n"
    "[instrument hid]\ndriver = hid-scale\nport = usb:1234:5678\nquantity = mass\n"
    "[instrument probe]\ndriver = modbus\nport = /dev/ttyUSB3\nserial = 9600 8N1\nquantity = temperature\n"
    "address = 17\nregister = 107\ntype = uint16\n";

static int read_the_configuration(void *fixture, struct why *why)
{
    struct config config;
    int error = config_read(&config, fixture, NULL, why);

    if (error)
        return error;
    for (int i = 0; i < config.instrument_count && !error; i++) {
        const struct driver *driver = driver_find(config.instruments[i].driver);
        void *state = calloc(1, driver->state_size ? driver->state_size : 1);

        if (!state)
            error = why_set(why, -ENOMEM, "not enough memory");
        else if (driver->configure)
            error = driver->configure(state, &config.instruments[i], why);
        if (state && !error && driver->release)
            driver->release(state);
        free(state);
    }
    config_free(&config);
    return error;
}

static int write_configuration(void **fixture, const char *text)
{
    const char *path = file_named("poised.conf");
    FILE *file = fopen(path, "w");

    *fixture = (void *)path;
    return file && fputs(text, file) >= 0 ? fclose(file) : -1;
}

static int one_configuration(void **fixture)
{
    return write_configuration(fixture, configuration);
}

static int one_without_station(void **fixture)
{
    return write_configuration(fixture, "[bench]\nname = pier\njournal = journal.db\n");
}

static void test_configuration_and_drivers(void **state)
{
    (void)state;
    each_call_fails("configuration", read_the_configuration, one_configuration, NULL);
    each_call_fails("no station", read_the_configuration, one_without_station, NULL);
}

/* ---- stations: trackers, brews, orders, strength, what is kept ---- */

static void keep_nothing(void *context, const char *key, const void *data, size_t length)
{
    (void)context;
    (void)key;
    (void)data;
    (void)length;
}

/* Every order is answered or has no answer; what is refused is refused with a sentence. */
static int order_all(void *fixture, struct why *why)
{
    static const char *const orders[] = {
        "{\"do\":\"begin\",\"station\":\"left\"}",
        "{\"do\":\"enter\",\"station\":\"left\",\"measure\":\"dose_g\",\"value\":15}",
        "{\"do\":\"enter\",\"station\":\"left\",\"measure\":\"water_g\",\"value\":230}",
        "{\"do\":\"note\",\"station\":\"left\",\"text\":\"the black kettle\"}",
        "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"press\"}",
        "{\"do\":\"end\",\"station\":\"left\"}",
        "{\"do\":\"discard\",\"station\":\"left\"}",
        "{\"do\":\"plan\",\"show\":true}",
    };
    struct room *room = fixture;
    int error = 0;

    for (size_t i = 0; i < sizeof orders / sizeof *orders; i++) {
        size_t length;
        char *reply;

        room->now.mono_us += 1000000;
        room->now.time_us += 1000000;
        room->count = 0;
        reply = control_answer(&room->control, &(struct guest){ .name = "ines", .role = ROLE_CONTROL }, orders[i],
                               strlen(orders[i]), room->now, &length);
        if (!reply)
            error = why_set(why, -ENOMEM, "no reply");
        free(reply);
    }
    for (int i = 0; i < 3; i++)
        read_strength(room, 140 + i, QUANTITY_STRENGTH);
    stations_save(&room->stations, true, &(struct saved_at){ room->seq, room->now, 1 }, keep_nothing, NULL);
    return error;
}

static void test_stations(void **state)
{
    (void)state;
    each_call_fails("stations", order_all, set_up, tear_down);
}

static void heard(void *context, struct message *message)
{
    (void)context;
    (void)message;
}

static int open_stations(void *fixture, struct why *why)
{
    struct room *room = fixture;
    struct stations stations = { .emit = heard };
    int error = stations_open(&stations, &room->config, why);

    if (!error) {
        error = stations_reconfigure(&stations, &room->config, room->now, why);
        stations_close(&stations);
    }
    return error;
}

static void test_stations_opened(void **state)
{
    (void)state;
    each_call_fails("opening stations", open_stations, set_up, tear_down);
}

static int plan_brews(void *fixture, struct why *why)
{
    struct planner planner = { 0 };
    struct text text = { 0 };
    int error = planner_load(&planner, plan_text, strlen(plan_text), 7, why);
    json_t *run;
    char *saved;

    (void)fixture;
    if (error)
        return error;
    planner_offer(&planner, "left");
    run = planner_take(&planner, "left", "pier-20261125-001");
    json_decref(run);
    json_decref(planner_show(&planner));
    planner_write(&planner, &text);
    text_free(&text);
    if ((saved = planner_save(&planner)))
        planner_restore(&planner, saved, strlen(saved));
    else
        error = why_set(why, -ENOMEM, "not enough memory");
    free(saved);
    planner_unload(&planner);
    return error;
}

static void test_planner(void **state)
{
    (void)state;
    each_call_fails("planner", plan_brews, NULL, NULL);
}

/* ---- the store ---- */

static int no_store(void **fixture)
{
    *fixture = (void *)file_named("short.db");
    remove(*fixture);
    return 0;
}

static int drop_store(void **fixture)
{
    char path[160];

    snprintf(path, sizeof path, "%s-wal", (char *)*fixture);
    remove(path);
    snprintf(path, sizeof path, "%s-shm", (char *)*fixture);
    remove(path);
    return remove(*fixture);
}

static int keep_a_brew(void *fixture, struct why *why)
{
    static const char name[] = "pier-20261125-001";
    struct message messages[] = {
        mass_at(1, 39, 5000), brew_at(2, 40, name, BREW_BEGIN, 40),  measure_at(3, 50, name, MEASURE_DOSE_G, 15.02),
        mass_at(4, 51, 5100), stage_at(5, 52, name, STAGE_POUR, 51), brew_at(6, 90, name, BREW_END, 89),
    };
    struct store *store;
    char found[BREW_SIZE];
    int error = store_open(&store, fixture, STORE_WRITE, why);

    if (error)
        return error;
    messages[1].brew.plan_json = PLAN;
    for (size_t i = 0; i < sizeof messages / sizeof *messages && error >= 0; i++)
        while ((error = store_apply(store, &messages[i], why)) == -ENOMEM) /* apply it again, as it asks */
            if (!why->text[0])
                break;
    if (error >= 0)
        error = store_commit(store, why);
    if (error < 0 && (error = store_commit(store, why)) >= 0) /* as the logger does: until it works */
        why->text[0] = '\0';
    if (error >= 0)
        error = store_brew_named(store, "001", found, why);
    store_close(store);
    return error > 0 ? 0 : error;
}

static void test_store(void **state)
{
    (void)state;
    each_call_fails("store", keep_a_brew, no_store, drop_store);
}

/* ---- a blind tasting ---- */

static struct tasting_session tasting_of_two(void)
{
    struct tasting_session session;
    struct why why;

    memset(&session, 0, sizeof session);
    strcpy(session.name, "round-1");
    strcpy(session.question, "does the longer steep show?");
    session.made_us = UTC_BEGAN;
    session.method = TASTING_TRIANGLE;
    session.expected = -1;
    session.sample_count = 2;
    for (int i = 0; i < 2; i++)
        snprintf(session.sample[i].label, TASTING_LABEL_SIZE, "steep %d s", 60 + 60 * i);
    session.taster_count = 1;
    strcpy(session.taster[0], "Ines");
    session.alpha = TASTING_ALPHA;
    session.power = TASTING_POWER;
    session.share = TASTING_SHARE;
    session.limit = TASTING_LIMIT;
    session.beta = TASTING_BETA;
    session.planned = session.sets = 4;
    tasting_rule(&session);
    assert_int_equal(tasting_draw(session.method, 2, session.sets, tasting_system_random, NULL, session.set, &why), 0);
    return session;
}

static int taste(void *fixture, struct why *why)
{
    static struct tasting_session session;
    struct tasting_happening words = { .kind = KIND_LOOKED, .who = "Tom", .time_us = UTC_BEGAN, .sure = -1 };
    struct tasting_record record = { 0 };
    char seal[TASTING_SEAL_SIZE];
    struct store *store;
    int error = store_open(&store, fixture, STORE_WRITE, why);

    if (error)
        return error;
    session = tasting_of_two();
    error = tasting_record_new(store, &session, NULL, file_named("key"), seal, why);
    if (!error && (error = tasting_record_load(store, "round-1", &record, why)) == 0) {
        error = tasting_record_add(store, &record, &words, why);
        tasting_record_free(&record);
    }
    store_close(store);
    return error;
}

static int no_tasting(void **fixture)
{
    remove(file_named("key"));
    return no_store(fixture);
}

static void test_tasting(void **state)
{
    (void)state;
    each_call_fails("tasting", taste, no_tasting, drop_store);
}

/* ---- whose a strength reading is ---- */

static int assign(void *fixture, struct why *why)
{
    static struct samples samples;
    int error;

    (void)fixture;
    memset(&samples, 0, sizeof samples);
    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        samples.instrument[i].accuracy_pct = NAN;
    for (int i = 0; i < 4; i++) {
        samples.cup[samples.cup_count++] = (struct sample_cup){
            .ready_us = i * 300000000LL, .dose_g = 15, .water_g = 230, .steep_s = 60 + 30 * i, .wanted = 3
        };
        for (int j = 0; j < 3; j++)
            samples.reading[samples.reading_count++] =
                (struct sample_reading){ .shown_pct = 1.2 + 0.1 * i + 0.01 * j,
                                         .resolution_pct = 0.01,
                                         .at_us = 1300000000LL + i * 60000000LL + j * 5000000LL,
                                         .cup = SAMPLES_NO_CUP };
    }
    error = samples_assign(&samples);
    return error ? why_set(why, error, "not enough memory") : 0;
}

static void test_samples(void **state)
{
    (void)state;
    each_call_fails("samples", assign, NULL, NULL);
}

/* ---- the journal ---- */

static void woken(void *context)
{
    (void)context;
}

static int keep_events(void *fixture, struct why *why)
{
    static const struct journal_limits limits = { .days = 30, .bytes = INT64_C(1) << 30 };
    static const char topic[] = "event/pier/brew", json[] = "{\"v\":1,\"bench\":\"pier\",\"seq\":1,\"time_us\":1}";
    struct journal *journal;
    struct why notice;
    int error = journal_open(&journal, fixture, &limits, woken, NULL, &notice, why);

    if (error)
        return error;
    if ((error = journal_start(journal, why)) == 0) {
        journal_hold(journal);
        journal_event(journal, topic, sizeof topic - 1, json, sizeof json - 1, 1, 1);
        journal_keep(journal, "bench", "{}", 2);
        journal_release(journal, 1000);
    }
    journal_close(journal);
    return error;
}

static int drop_journal(void **fixture)
{
    char path[160];

    for (int i = 1; i <= 2; i++) {
        snprintf(path, sizeof path, "%s.tail-%d", (char *)*fixture, i);
        remove(path);
    }
    return drop_store(fixture);
}

static void test_journal(void **state)
{
    (void)state;
    each_call_fails("journal", keep_events, no_store, drop_journal);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_plan_and_guide),
        cmocka_unit_test(test_messages),
        cmocka_unit_test(test_configuration_and_drivers),
        cmocka_unit_test(test_stations),
        cmocka_unit_test(test_stations_opened),
        cmocka_unit_test(test_planner),
        cmocka_unit_test(test_store),
        cmocka_unit_test(test_tasting),
        cmocka_unit_test(test_samples),
        cmocka_unit_test(test_journal),
    };

    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
