/* A trace to send along, without what is nobody's business: names of benches, stations, instruments and people, notes,
 * ports, the computer's boots, and the words of a plan.  What the tracker reads and decides stays. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "replay_parts.h"

/* "station-1" for the first that is met, and so on; as long as there is room each keeps its own. */
static void rename_one(struct renamed *renamed, const char *word, char *name, size_t size)
{
    int number = 0;

    if (!name[0])
        return;
    while (number < renamed->count && strcmp(renamed->names[number], name) != 0)
        number++;
    if (number == renamed->count && renamed->count < RENAMED_MOST)
        snprintf(renamed->names[renamed->count++], sizeof renamed->names[0], "%s", name);
    snprintf(name, size, "%s-%d", word, number + 1);
}

/* "bench-20261125-003": the day and the number tell the brews apart. */
static void rename_brew(char brew[BREW_SIZE])
{
    char *number = strrchr(brew, '-'), plain[BREW_SIZE];

    if (!number || number - brew < 9)
        return;
    snprintf(plain, sizeof plain, "bench%.*s%s", 9, number - 9, number);
    strcpy(brew, plain);
}

/* Numbers stay: they are what the tracker aims at. */
static void drop_words(json_t *object)
{
    const char *key;
    json_t *value;
    void *next;

    json_object_foreach_safe(object, next, key, value)
    {
        if (json_is_string(value))
            json_object_del(object, key);
        else if (json_is_object(value))
            drop_words(value);
    }
}

/* Allocated; NULL: none, or no memory. */
static char *plan_without_words(const char *text)
{
    json_t *plan = text ? json_loads(text, 0, NULL) : NULL;
    char *plain;

    if (!plan)
        return NULL;
    drop_words(plan);
    json_object_set_new(plan, "experiment", json_string("plan"));
    plain = json_dumps(plan, JSON_COMPACT | JSON_REAL_PRECISION(15));
    json_decref(plan);
    return plain;
}

static void rename_boot(struct names *names, char boot[BOOT_SIZE])
{
    char plain[BOOT_SIZE];
    int number = 0;

    while (number < names->boots.count && strcmp(names->boots.names[number], boot) != 0)
        number++;
    if (number == names->boots.count && names->boots.count < RENAMED_MOST)
        snprintf(names->boots.names[names->boots.count++], sizeof names->boots.names[0], "%s", boot);
    snprintf(plain, sizeof plain, "00000000-0000-4000-8000-%012d", number + 1);
    strcpy(boot, plain);
}

static void rename_of_kind(struct names *names, struct message *message)
{
    char *station = NULL, *instrument = NULL, *brew = NULL, *words = NULL;

    switch (message->kind) {
    case MESSAGE_READING:
        station = message->reading.station;
        instrument = message->reading.instrument;
        break;
    case MESSAGE_BREW:
        station = message->brew.station;
        brew = message->brew.brew;
        words = message->brew.note;
        break;
    case MESSAGE_STAGE:
        station = message->stage.station;
        brew = message->stage.brew;
        break;
    case MESSAGE_MEASURE:
        station = message->measure.station;
        brew = message->measure.brew;
        break;
    case MESSAGE_INSTRUMENT:
        instrument = message->instrument.instrument;
        words = message->instrument.detail;
        break;
    case MESSAGE_WARNING:
        station = message->warning.station;
        brew = message->warning.brew;
        words = message->warning.detail;
        break;
    case MESSAGE_CHECK:
        instrument = message->check.instrument;
        brew = message->check.brew;
        break;
    case MESSAGE_ALARM:
        instrument = message->alarm.instrument;
        for (int i = 0; i < message->alarm.brews; i++)
            rename_brew(message->alarm.brew[i]);
        break;
    case MESSAGE_STATE:
        break;
    }
    if (station)
        rename_one(&names->stations, "station", station, NAME_SIZE);
    if (instrument)
        rename_one(&names->instruments, "instrument", instrument, NAME_SIZE);
    if (brew)
        rename_brew(brew);
    /* an order that an instrument took is one that the tracker must hear of: it says tare or zero, and no more */
    if (words && !(message->kind == MESSAGE_INSTRUMENT && message->instrument.change == INSTRUMENT_ORDERED))
        strcpy(words, "");
}

int names_write(struct names *names, const struct message *message, char *out, size_t size, char topic[TOPIC_SIZE])
{
    struct message plain = *message;
    char *plan = NULL;
    int length;

    if (message->kind == MESSAGE_BREW && message->brew.change == BREW_NOTE)
        return 0;
    if (message->kind == MESSAGE_BREW) {
        plan = plan_without_words(message->brew.plan_json);
        plain.brew.plan_json = plan;
    }
    rename_of_kind(names, &plain);
    rename_boot(names, plain.common.boot);
    strcpy(plain.common.bench, "bench");
    plain.common.asked_by[0] = '\0';
    message_topic(&plain, topic);
    length = message_write(&plain, out, size);
    free(plan);
    return length;
}
