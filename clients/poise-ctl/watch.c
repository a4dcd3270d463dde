/* Everything the bench publishes, as it comes: a line for people, or a line of JSON. */
#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/signalfd.h>
#include <time.h>
#include <unistd.h>

#include "ctl.h"
#include "poise/client.h"
#include "poise/program.h"

/* Readable once somebody wants it to stop: a flag alone could be set just before waiting begins. */
static int watch_signals(void)
{
    sigset_t set;

    sigemptyset(&set);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGTERM);
    sigprocmask(SIG_BLOCK, &set, NULL);
    return signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
}

/* The time of day where the reader is. */
static void print_time(int64_t time_us)
{
    time_t seconds = (time_t)(time_us / 1000000);
    struct tm local;

    if (localtime_r(&seconds, &local))
        printf("%02d:%02d:%02d.%03d  ", local.tm_hour, local.tm_min, local.tm_sec, (int)(time_us / 1000 % 1000));
}

static void print_reading(const struct message_reading *reading)
{
    char digits[40], detail[READING_DETAIL_SIZE];

    if (reading->status == READING_OK) {
        decimal_format(reading->value, digits, sizeof digits);
        printf("%-16s %10s %s%s", reading->instrument, digits, unit_name(quantity_unit(reading->quantity)),
               reading->stable == 0 ? "  moving" : "");
    } else {
        printf("%-16s %10s", reading->instrument, reading_status_name(reading->status));
    }
    if (*reading->detail)
        printf("  (%s)", ctl_printable(reading->detail, detail, sizeof detail));
    putchar('\n');
}

/* "liquid in the cup 198.7 ± 0.2 g" */
static void print_number(enum measure measure, double value, double u, bool above, const struct guide_units *units)
{
    char words[80];

    printf("%s %s", measure_summary(measure),
           guide_measure_words(measure, value, u, above, units, words, sizeof words));
}

static void print_brew(const struct message_brew *brew, const struct guide_units *units)
{
    static const char *const words[] = { [BREW_BEGIN] = "begins",
                                         [BREW_END] = "ends",
                                         [BREW_DISCARD] = "is discarded",
                                         [BREW_NOTE] = "has a note",
                                         [BREW_VERDICT] = "is judged again" };
    char note[DETAIL_SIZE];

    printf("%s %s on %s", brew->brew, words[brew->change], brew->station);
    for (int measure = 0; measure < MEASURE_COUNT; measure++)
        if (!isnan(brew->measures.value[measure])) {
            printf(", ");
            print_number((enum measure)measure, brew->measures.value[measure],
                         brew->measures.standard_uncertainty[measure], false, units);
        }
    if (brew->plan_kept >= 0)
        printf(", plan %s", brew->plan_kept ? "kept" : "not kept");
    if (brew->note[0])
        printf(": %s", ctl_printable(brew->note, note, sizeof note));
    putchar('\n');
}

static void print_stage(const struct message_stage *stage, int64_t now_us)
{
    printf("%s %s on %s", stage->brew, stage_name(stage->stage), stage->station);
    if (now_us - stage->at_us >= 100000)
        printf(", since %.1f s", (double)(now_us - stage->at_us) / 1e6);
    printf("%s\n", stage->by == BY_OPERATOR ? ", marked by hand" : "");
}

static void print_measure(const struct message_measure *measure, const struct guide_units *units)
{
    printf("%s ", measure->brew);
    if (isnan(measure->value))
        printf("%s is taken back", measure_summary(measure->measure));
    else
        print_number(measure->measure, measure->value, measure->standard_uncertainty, measure->above, units);
    printf("%s\n", measure->by == BY_OPERATOR ? ", entered by hand" : "");
}

static void print_state(const struct message *message)
{
    char name[NAME_SIZE], stage[NAME_SIZE];
    json_t *station;
    size_t index;

    printf("bench %s", message->common.bench);
    json_array_foreach(json_object_get(message->json, "stations"), index, station)
        printf("%s %s: %s", index > 0 ? "," : ":", ctl_printable(ctl_text(station, "station"), name, sizeof name),
               ctl_printable(ctl_text(station, "stage"), stage, sizeof stage));
    putchar('\n');
}

enum { BENCHES_MOST = 256 }; /* as a site follows */

/* The benches that speak here: one, or a site's. */
struct heard {
    int count;
    char bench[BENCHES_MOST][NAME_SIZE];
    bool state_shown[BENCHES_MOST];
};

static int find_bench(struct heard *heard, const char *name)
{
    for (int i = 0; i < heard->count; i++)
        if (strcmp(heard->bench[i], name) == 0)
            return i;
    if (heard->count < BENCHES_MOST)
        strcpy(heard->bench[heard->count++], name);
    return heard->count - 1;
}

static void print_plain(const struct message *message, const struct guide_units *units, bool several)
{
    char detail[DETAIL_SIZE];

    print_time(message->common.time_us);
    if (several && message->kind != MESSAGE_STATE)
        printf("%s  ", message->common.bench);
    switch (message->kind) {
    case MESSAGE_READING:
        print_reading(&message->reading);
        break;
    case MESSAGE_BREW:
        print_brew(&message->brew, units);
        break;
    case MESSAGE_STAGE:
        print_stage(&message->stage, message->common.mono_us);
        break;
    case MESSAGE_MEASURE:
        print_measure(&message->measure, units);
        break;
    case MESSAGE_INSTRUMENT:
        printf("%s %s: %s\n", message->instrument.instrument, instrument_change_name(message->instrument.change),
               ctl_printable(message->instrument.detail, detail, sizeof detail));
        break;
    case MESSAGE_WARNING:
        printf("%s%swarning %s: %s\n", message->warning.brew, message->warning.brew[0] ? " " : "",
               message->warning.warning, ctl_printable(message->warning.detail, detail, sizeof detail));
        break;
    case MESSAGE_CHECK:
        printf("%s shows %s %.4g %s", message->check.instrument, check_kind_name(message->check.check),
               message->check.value, check_kind_unit(message->check.check));
        if (!isnan(message->check.reference))
            printf(" for %.4g", message->check.reference);
        printf("%s%s\n", message->check.vessel[0] ? " of " : "", message->check.vessel);
        break;
    case MESSAGE_ALARM:
        printf("%s alarm: %s changed by %+.2g %s, %d brew%s since\n", message->alarm.instrument,
               check_kind_name(message->alarm.check), message->alarm.change, check_kind_unit(message->alarm.check),
               message->alarm.brews, message->alarm.brews == 1 ? "" : "s");
        break;
    case MESSAGE_STATE:
        print_state(message);
        break;
    }
}

static void print_json(const struct message *message, const char *topic)
{
    char text[MESSAGE_SIZE];
    int length;

    printf("{\"topic\":\"%s\",\"message\":", topic);
    /* A double would lose the digits that the instrument showed. */
    if (message->kind == MESSAGE_READING && (length = message_write(message, text, sizeof text)) > 0)
        fwrite(text, 1, (size_t)length, stdout);
    else
        json_dumpf(message->json, stdout, JSON_COMPACT | JSON_REAL_PRECISION(15));
    puts("}");
}

/* Without words everything; else what lies under one of the topics. */
static bool wanted(const struct ctl *ctl, const char *topic)
{
    for (int word = 0; word < ctl->word_count; word++)
        if (strncmp(topic, ctl->words[word], strlen(ctl->words[word])) == 0)
            return true;
    return ctl->word_count == 0;
}

/* Shows one message; false when it was not asked for.  To people a state shows what the events did
 * already, except the first since the bench was found. */
static bool show(const struct ctl *ctl, const struct message *message, struct guide_units *units, struct heard *heard)
{
    char topic[TOPIC_SIZE];
    int bench = find_bench(heard, message->common.bench);

    if (message->kind == MESSAGE_STATE)
        *units = ctl_units(ctl, message->json);
    message_topic(message, topic);
    if (!wanted(ctl, topic))
        return false;
    if (ctl->json) {
        print_json(message, topic);
        return true;
    }
    if (message->kind == MESSAGE_STATE) {
        if (heard->state_shown[bench])
            return false;
        heard->state_shown[bench] = true;
    }
    print_plain(message, units, heard->count > 1);
    return true;
}

/* A bench on this machine is found in milliseconds; after so long without one, report it once. */
enum { FOUND_WITHIN_MS = 1000 };

int command_watch(const struct ctl *ctl)
{
    struct client_options options = { .bus = ctl->bus, .control = ctl->control, .key = ctl->key, .subscribe = true };
    struct guide_units units = ctl_units(ctl, NULL);
    struct client *client;
    struct message message;
    struct why why;
    long shown = 0;
    int timeout_ms = FOUND_WITHIN_MS;
    struct heard heard = { .count = 0 };
    bool stopped = false;
    int signals = -1, event = client_open(&client, &options, &why);

    if (event < 0) {
        program_message("%s", why.text);
        return event == -EINVAL ? EXIT_USAGE : EXIT_FAILED;
    }
    setvbuf(stdout, NULL, _IOLBF, 0);
    signals = watch_signals();
    if (signals < 0)
        program_message("cannot watch for signals: %s", strerror(errno));
    while (signals >= 0 && !stopped && (ctl->count < 0 || shown < ctl->count)) {
        event = client_next(client, signals, timeout_ms, &message, &why);
        if (event == CLIENT_TIMEOUT)
            program_message("no bench at %s yet; waiting for it", ctl->bus);
        if (event == CLIENT_TIMEOUT || event == CLIENT_FOUND)
            timeout_ms = -1;
        if (event == CLIENT_FOUND)
            memset(heard.state_shown, 0, sizeof heard.state_shown);
        if (event == CLIENT_MESSAGE) {
            shown += show(ctl, &message, &units, &heard);
            message_free(&message);
        } else if (event == CLIENT_INPUT) {
            stopped = true;
        } else if (event == CLIENT_GONE) {
            program_message("the bench is gone; looking for it at %s", ctl->bus);
        } else if (event == CLIENT_BAD) {
            program_message("%s", why.text);
        } else if (event < 0 && event != -EINTR) {
            program_message("%s", why.text);
            break;
        }
        if (ferror(stdout)) {
            program_message("standard output: cannot be written");
            break;
        }
    }
    client_close(client);
    if (signals >= 0)
        close(signals);
    return stopped || shown == ctl->count ? EXIT_DONE : EXIT_FAILED;
}
