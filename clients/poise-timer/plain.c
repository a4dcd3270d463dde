/* The timer as plain lines; see plain.h. */
#include "plain.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "words.h"

/* "09:30:12 " by the clock on the wall. */
static size_t clock_words(int64_t time_us, char *out)
{
    time_t seconds = (time_t)(time_us / 1000000);
    struct tm wall;

    if (!localtime_r(&seconds, &wall))
        return 0;
    return strftime(out, PLAIN_SIZE, "%H:%M:%S ", &wall);
}

char *plain_now(const struct timer_model *model, int i, int64_t local_us, char *out)
{
    const struct timer_station *station = &model->station[i];
    int64_t now_us = model_now_us(model, local_us);
    size_t length = clock_words(model_time_us(model, local_us), out);
    char numbers[WORDS_SIZE], share[WORDS_SIZE], scale[WORDS_SIZE], brew[BREW_SIZE + 8] = "", time[16], bar[160] = "";
    struct focus focus;
    bool bad;

    words_focus(model, station, now_us, &focus);
    if (*station->brew)
        snprintf(brew, sizeof brew, " %s", words_brew(station->brew));
    if (focus.added)
        snprintf(bar, sizeof bar, ", %s %s%s%s", focus.big, focus.unit, *focus.bar ? ", " : "", focus.bar);
    else if (*focus.bar)
        snprintf(bar, sizeof bar, ", %s", focus.bar);
    words_numbers(station, now_us, true, numbers);
    words_time(station_stage_s(station, now_us), time, sizeof time);
    words_scale(model, station, now_us, &bad, scale);
    words_share(model, station, now_us, WORDS_WHOLE, share);
    snprintf(out + length, PLAIN_SIZE - length, "%s%s %s%s%s%s%s%s%s%s; %s", station->name, brew,
             stage_name(station->stage), *time ? " " : "", time, *numbers ? ", " : "", numbers, bar, *share ? ", " : "",
             share, scale);
    return out;
}

char *plain_next(const struct timer_model *model, int i, char *out)
{
    const struct timer_station *station = &model->station[i];
    char varied[WORDS_SIZE], held[WORDS_SIZE];

    *out = '\0';
    if (!station->has_next || *station->brew)
        return out;
    words_held(station, WORDS_WHOLE, held);
    words_varied(station, WORDS_WHOLE, varied);
    snprintf(out, PLAIN_SIZE, "%s next: %s%s%s", station->name, varied, *held ? "; always " : "", held);
    return out;
}

static void say_brew(const struct timer_model *model, const struct message_brew *brew, char *out, size_t size)
{
    static const char *const verbs[] = { "begins", "is done", "is discarded", "noted", "is judged again" };
    char measures[WORDS_SIZE] = "";

    if (brew->change == BREW_END)
        words_measures(&brew->measures, strcmp(brew->brew, model->last_brew) == 0 ? model->last_above : NULL, measures);
    snprintf(out, size, "%s brew %s %s%s%s%s%s%s", brew->station, words_brew(brew->brew), verbs[brew->change],
             *measures ? ": " : "", measures,
             brew->plan_kept == 0                                   ? "; plan not kept"
             : brew->plan_kept == 1 && brew->change == BREW_VERDICT ? "; plan kept"
                                                                    : "",
             *brew->note ? ": " : "", brew->note);
}

static void say_measure(const struct message_measure *measure, char *out, size_t size)
{
    char value[40] = "taken back", uncertainty[40] = "";
    int decimals = measure_decimals(measure->measure);

    if (!isnan(measure->value))
        snprintf(value, sizeof value, "%s%.*f", measure->above ? "above " : "", decimals, measure->value);
    if (measure->standard_uncertainty > 0)
        snprintf(uncertainty, sizeof uncertainty, " ± %.2g", measure->standard_uncertainty);
    snprintf(out, size, "%s brew %s %s %s%s", measure->station, words_brew(measure->brew),
             measure_name(measure->measure), value, uncertainty);
}

char *plain_event(const struct timer_model *model, const struct message *message, char *out)
{
    size_t length = clock_words(message->common.time_us, out), size = PLAIN_SIZE - length;
    char then[WORDS_SIZE] = "";

    switch (message->kind) {
    case MESSAGE_BREW:
        say_brew(model, &message->brew, out + length, size);
        return out;
    case MESSAGE_STAGE:
        for (int i = 0; i < model->stations; i++)
            if (strcmp(model->station[i].name, message->stage.station) == 0)
                words_then(model, &model->station[i], then);
        snprintf(out + length, size, "%s %s begins, %s", message->stage.station, stage_name(message->stage.stage),
                 then);
        return out;
    case MESSAGE_MEASURE:
        say_measure(&message->measure, out + length, size);
        return out;
    case MESSAGE_INSTRUMENT:
        snprintf(out + length, size, "%s %s%s%s", message->instrument.instrument,
                 instrument_change_name(message->instrument.change), *message->instrument.detail ? ": " : "",
                 message->instrument.detail);
        return out;
    case MESSAGE_WARNING:
        snprintf(out + length, size, "%s%swarning: %s", message->warning.station, *message->warning.station ? " " : "",
                 *message->warning.detail ? message->warning.detail : message->warning.warning);
        return out;
    case MESSAGE_READING:
    case MESSAGE_STATE:
        break;
    }
    *out = '\0';
    return out;
}
