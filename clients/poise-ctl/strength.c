/* Strength readings: listed, and corrected when one went to the wrong cup.  A reading is named by its number in the
 * list (4711) or as the second of a brew (pier-20261125-003/2). */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ctl.h"
#include "poise/messages.h"
#include "poise/program.h"

/* A whole number of 1 or more; 0: it is none. */
static json_int_t count_of(const char *text)
{
    char *end;
    long long count;

    if (text[0] < '1' || text[0] > '9')
        return 0;
    errno = 0;
    count = strtoll(text, &end, 10);
    return *end || errno ? 0 : (json_int_t)count;
}

/* The word as fields of the request: "seq", or the brew under `brew_key` and "number".  False when it names no
 * reading, and says so. */
static bool put_reading(json_t *request, const char *brew_key, const char *word)
{
    const char *slash = strchr(word, '/');
    json_int_t count = count_of(slash ? slash + 1 : word);

    if (!count || slash == word) {
        program_say("'%s' names no reading: its number in `poise-ctl strength`, or BREW/2 for a brew's second", word);
        return false;
    }
    if (slash) {
        json_object_set_new(request, brew_key, json_stringn(word, (size_t)(slash - word)));
        json_object_set_new(request, "number", json_integer(count));
    } else {
        json_object_set_new(request, "seq", json_integer(count));
    }
    return true;
}

/* These are never meant for "the brew under way": the brew is the command's word, if any. */
static int order_brew(const struct ctl *ctl, const char *what)
{
    json_t *request = ctl_request(ctl, what);

    if (ctl->word_count > 0)
        json_object_set_new(request, "brew", json_string(ctl->words[0]));
    return ctl_order(ctl, request);
}

int command_assign(const struct ctl *ctl)
{
    json_t *request = ctl_request(ctl, "assign");

    json_object_set_new(request, "brew", json_string(ctl->words[0]));
    if (ctl->word_count > 1 && !put_reading(request, "from", ctl->words[1])) {
        json_decref(request);
        return EXIT_USAGE;
    }
    return ctl_order(ctl, request);
}

int command_unassign(const struct ctl *ctl)
{
    json_t *request;

    if (!strchr(ctl->words[0], '/') && !count_of(ctl->words[0]))
        return order_brew(ctl, "unassign");
    request = ctl_request(ctl, "unassign");
    if (!put_reading(request, "brew", ctl->words[0])) {
        json_decref(request);
        return EXIT_USAGE;
    }
    return ctl_order(ctl, request);
}

int command_sample(const struct ctl *ctl)
{
    return order_brew(ctl, "sample");
}

static const char *ago(const json_t *reading, char *out, size_t size)
{
    double seconds = ctl_value(reading, "ago_s");

    if (isnan(seconds))
        snprintf(out, size, "before the restart");
    else if (seconds < 60)
        snprintf(out, size, "%.0f s ago", seconds);
    else if (seconds < 3600)
        snprintf(out, size, "%.0f min ago", floor(seconds / 60));
    else
        snprintf(out, size, "%.1f h ago", seconds / 3600);
    return out;
}

static void print_reading(const json_t *reading)
{
    char brew[BREW_SIZE], whose[BREW_SIZE + 8], when[32], sample[16] = "-";
    double sample_c = ctl_value(reading, "sample_c");

    snprintf(whose, sizeof whose, "-");
    if (*ctl_text(reading, "brew"))
        snprintf(whose, sizeof whose, "%s/%.0f", ctl_printable(ctl_text(reading, "brew"), brew, sizeof brew),
                 ctl_value(reading, "number"));
    if (!isnan(sample_c))
        snprintf(sample, sizeof sample, "%.1f", sample_c);
    printf("%9.0f  %-24s %10.2f %9s  %s%s\n", ctl_value(reading, "seq"), whose, ctl_value(reading, "strength_pct"),
           sample, ago(reading, when, sizeof when),
           json_is_true(json_object_get(reading, "suspect")) ? "; far from the others" : "");
}

/* Behind a brew's last reading: their mean, and how far they spread (the standard deviation). */
static void print_mean(const json_t *list, size_t last)
{
    const char *brew = ctl_text(json_array_get(list, last), "brew");
    double sum = 0, squares = 0, values[MEASURE_READINGS];
    char words[BREW_SIZE];
    int count = 0;

    for (size_t i = 0; i <= last; i++)
        if (count < MEASURE_READINGS && strcmp(ctl_text(json_array_get(list, i), "brew"), brew) == 0)
            sum += values[count++] = ctl_value(json_array_get(list, i), "strength_pct");
    for (int i = 0; i < count; i++)
        squares += (values[i] - sum / count) * (values[i] - sum / count);
    if (*brew && count > 1 && strcmp(ctl_text(json_array_get(list, last + 1), "brew"), brew) != 0)
        printf("%11s%-24s %10.3f  spread %.3f\n", "", ctl_printable(brew, words, sizeof words), sum / count,
               sqrt(squares / (count - 1)));
}

int command_strength(const struct ctl *ctl)
{
    json_t *request = ctl_request(ctl, "strength"), *reply, *list, *one;
    size_t i;
    int status;

    if (ctl->word_count > 0)
        json_object_set_new(request, "brew", json_string(ctl->words[0]));
    if ((status = ctl_ask(ctl, request, &reply)) != EXIT_DONE)
        return status;
    list = json_object_get(reply, "readings");
    if (json_array_size(list) && !ctl->json)
        printf("%9s  %-24s %10s %9s  %s\n", "reading", "of", "strength %", "sample C", "read");
    json_array_foreach(list, i, one)
    {
        if (ctl->json) {
            ctl_print_json(one);
            continue;
        }
        print_reading(one);
        print_mean(list, i);
    }
    if (!json_array_size(list) && !ctl->json)
        program_say("no strength reading%s%s", ctl->word_count ? " of " : " yet", ctl->word_count ? ctl->words[0] : "");
    json_decref(reply);
    return EXIT_DONE;
}
