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

char *plain_now(const struct view *model, int i, int64_t local_us, char *out)
{
    const struct view_station *station = &model->station[i];
    int64_t now_us = view_now_us(model, local_us);
    size_t length = clock_words(view_time_us(model, local_us), out);
    char numbers[WORDS_SIZE], share[WORDS_SIZE], scale[WORDS_SIZE], brew[BREW_SIZE + 8] = "", time[16];
    struct guide guide;
    bool bad;

    station_guide(model, station, now_us, &guide);
    if (*station->brew)
        snprintf(brew, sizeof brew, " %s", words_brew(station->brew));
    words_numbers(model, station, now_us, true, numbers);
    guide_time(station_stage_s(station, now_us), time, sizeof time);
    words_scale(model, station, now_us, &bad, scale);
    words_share(model, station, now_us, WORDS_WHOLE, share);
    length += (size_t)snprintf(out + length, PLAIN_SIZE - length, "%s%s %s%s%s", station->name, brew,
                               stage_name(station->stage), *time ? " " : "", time);
    if (*guide.number.digits && strcmp(guide.number.digits, "-") != 0)
        length +=
            (size_t)snprintf(out + length, PLAIN_SIZE - length, ", %s %s", guide.number.digits, guide.number.unit);
    snprintf(out + length, PLAIN_SIZE - length, "%s%s%s%s%s%s; %s; %s", *guide.number.goal ? ", " : "",
             guide.number.goal, *numbers ? ", " : "", numbers, *share ? ", " : "", share, scale, guide.now);
    return out;
}

char *plain_next(const struct view *model, int i, char *out)
{
    const struct view_station *station = &model->station[i];
    char varied[WORDS_SIZE], held[WORDS_SIZE];

    *out = '\0';
    if (!station->has_next || *station->brew)
        return out;
    words_held(model, station, WORDS_WHOLE, held);
    words_varied(model, station, WORDS_WHOLE, varied);
    snprintf(out, PLAIN_SIZE, "%s next: %s%s%s", station->name, varied, *held ? "; always " : "", held);
    return out;
}

static void state_brew(const struct view *model, const struct message_brew *brew, char *out, size_t size)
{
    static const char *const verbs[] = { "begins", "is done", "is discarded", "noted", "is judged again" };
    bool last = strcmp(brew->brew, model->last_brew) == 0;
    char words[WORDS_SIZE] = "";

    if (brew->change == BREW_END)
        guide_cup(brew->plan_kept, &brew->measures, last ? model->last_above : NULL, &model->units, words,
                  sizeof words);
    else if (brew->change == BREW_VERDICT)
        snprintf(words, sizeof words, "%s", brew->plan_kept == 1 ? "Plan kept" : "Plan not kept");
    snprintf(out, size, "%s brew %s %s%s%s%s%s", brew->station, words_brew(brew->brew), verbs[brew->change],
             *words ? ": " : "", words, *brew->note ? ": " : "", brew->note);
}

static void state_measure(const struct view *model, const struct message_measure *measure, char *out, size_t size)
{
    char value[80] = "taken back";

    if (!isnan(measure->value))
        guide_measure_words(measure->measure, measure->value, measure->standard_uncertainty, measure->above,
                            &model->units, value, sizeof value);
    snprintf(out, size, "%s brew %s %s: %s", measure->station, words_brew(measure->brew),
             measure_summary(measure->measure), value);
}

/* Of a brew that runs no more: its name is needed to know which. */
static bool state_earlier_stage(const struct view *model, const struct message_stage *stage, char *out, size_t size)
{
    for (int i = 0; i < model->stations; i++)
        if (strcmp(model->station[i].name, stage->station) == 0 && strcmp(model->station[i].brew, stage->brew) == 0)
            return false;
    if (!*stage->brew)
        return false;
    if (stage->stage == STAGE_DONE)
        snprintf(out, size, "%s brew %s has all its strength readings", stage->station, words_brew(stage->brew));
    else
        snprintf(out, size, "%s brew %s corrected: %s", stage->station, words_brew(stage->brew),
                 stage_name(stage->stage));
    return true;
}

/* ---- stages, once they have settled ---- */

enum { SETTLED_US = 3000000 };     /* the tracker's second thoughts come within two seconds or much later */
static const double MOVED_S = 0.5; /* less is no news */

void plain_stage_came(const struct view *model, int i, int64_t now_us, struct plain_stages *stages)
{
    if (strcmp(stages->brew, model->station[i].brew) != 0) {
        memset(stages, 0, sizeof *stages);
        strcpy(stages->brew, model->station[i].brew);
    }
    stages->latest_us = now_us;
}

/* Takes a stage that is not there any more out of what was shown; -1: all are. */
static int taken_back(const struct view_station *station, struct plain_stages *stages)
{
    for (int shown = 0; shown < stages->shown_count; shown++) {
        enum stage stage = stages->shown[shown].stage;
        int now = 0, before = 0;

        for (int k = 0; k < station->timeline.count; k++)
            now += station->timeline.stage[k].stage == stage;
        for (int k = 0; k <= shown; k++)
            before += stages->shown[k].stage == stage;
        if (before <= now)
            continue;
        stages->shown_count--;
        memmove(&stages->shown[shown], &stages->shown[shown + 1],
                sizeof stages->shown[0] * (size_t)(stages->shown_count - shown));
        return (int)stage;
    }
    return -1;
}

char *plain_settled(const struct view *model, int i, int64_t local_us, bool at_once, struct plain_stages *stages,
                    char *out)
{
    const struct view_station *station = &model->station[i];
    int64_t now_us = view_now_us(model, local_us);
    int stage;

    *out = '\0';
    if (!stages->latest_us || (!at_once && now_us - stages->latest_us < SETTLED_US))
        return out;
    if ((stage = taken_back(station, stages)) >= 0) {
        snprintf(out, PLAIN_SIZE, "%s brew %s corrected: no %s", station->name, words_brew(stages->brew),
                 stage_name((enum stage)stage));
        return out;
    }
    for (int k = 0; k < station->timeline.count && k < TIMELINE_STAGES; k++) {
        int64_t at_us = station->timeline.stage[k].at_us;
        bool known = k < stages->shown_count && stages->shown[k].stage == station->timeline.stage[k].stage;
        double moved_s = known ? (double)(at_us - stages->shown[k].at_us) / 1e6 : 0;
        size_t length;

        if (known && fabs(moved_s) < MOVED_S)
            continue;
        length = clock_words(model->time_us + at_us - model->bench_us, out);
        if (known) {
            snprintf(out + length, PLAIN_SIZE - length, "%s brew %s corrected: %s began %.1f s %s", station->name,
                     words_brew(stages->brew), stage_name(station->timeline.stage[k].stage), fabs(moved_s),
                     moved_s < 0 ? "earlier" : "later");
        } else {
            snprintf(out + length, PLAIN_SIZE - length, "%s brew %s %s begins", station->name, words_brew(stages->brew),
                     stage_name(station->timeline.stage[k].stage));
            memmove(&stages->shown[k + 1], &stages->shown[k],
                    sizeof stages->shown[0]
                        * (size_t)((stages->shown_count < TIMELINE_STAGES ? stages->shown_count : TIMELINE_STAGES - 1)
                                   - k));
            stages->shown_count += stages->shown_count < TIMELINE_STAGES;
        }
        stages->shown[k].stage = station->timeline.stage[k].stage;
        stages->shown[k].at_us = at_us;
        return out;
    }
    stages->latest_us = 0;
    return out;
}

char *plain_event(const struct view *model, const struct message *message, char *out)
{
    size_t length = clock_words(message->common.time_us, out), size = PLAIN_SIZE - length;

    switch (message->kind) {
    case MESSAGE_BREW:
        state_brew(model, &message->brew, out + length, size);
        return out;
    case MESSAGE_MEASURE:
        state_measure(model, &message->measure, out + length, size);
        return out;
    case MESSAGE_INSTRUMENT:
        snprintf(out + length, size, "%s", model->notice);
        return out;
    case MESSAGE_WARNING:
        snprintf(out + length, size, "%s%swarning: %s", message->warning.station, *message->warning.station ? " " : "",
                 *message->warning.detail ? message->warning.detail : message->warning.warning);
        return out;
    case MESSAGE_STAGE:
        if (!state_earlier_stage(model, &message->stage, out + length, size))
            break;
        return out;
    case MESSAGE_READING:
    case MESSAGE_CHECK:
    case MESSAGE_ALARM:
    case MESSAGE_STATE:
        break;
    }
    *out = '\0';
    return out;
}
