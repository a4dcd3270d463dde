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
 * reading, which is reported. */
static bool put_reading(json_t *request, const char *brew_key, const char *word)
{
    const char *slash = strchr(word, '/');
    json_int_t count = count_of(slash ? slash + 1 : word);

    if (!count || slash == word) {
        program_message("'%s' names no reading: its number in `poise-ctl strength`, or BREW/2 for a brew's second",
                        word);
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

/* How a sample's readings are moved, and the words behind it. */
static const struct sample_order {
    const char *word;
    int least, most;
} sample_orders[] = {
    { "swap", 2, 2 }, { "shift", 1, 2 }, { "merge", 2, 2 }, { "take", 2, 2 }, { "undo", 0, 0 },
};

static const struct sample_order *sample_order(const struct ctl *ctl)
{
    for (size_t i = 0; ctl->word_count && i < sizeof sample_orders / sizeof *sample_orders; i++)
        if (strcmp(ctl->words[0], sample_orders[i].word) == 0)
            return &sample_orders[i];
    return NULL;
}

/* What stands behind a reading: who decided it, how surely, or what is asked. */
static void print_doubt(const json_t *reading)
{
    double chance = ctl_value(reading, "chance"), other = ctl_value(reading, "other_chance");
    double water_pct = ctl_value(reading, "shown_pct") - ctl_value(reading, "strength_pct");
    char words[BREW_SIZE];

    if (fabs(water_pct) >= 0.005)
        printf("; shown %.2f, water %.2f", ctl_value(reading, "shown_pct"), water_pct);
    if (json_is_false(json_object_get(reading, "filtered")))
        printf("; unfiltered");
    if (json_is_true(json_object_get(reading, "suspect")))
        printf("; far from the others, not in their mean");
    if (json_is_true(json_object_get(reading, "said")))
        printf("; placed by hand");
    if (*ctl_text(reading, "likely"))
        printf("; %s %.0f %%", ctl_printable(ctl_text(reading, "likely"), words, sizeof words), 100 * chance);
    if (*ctl_text(reading, "other"))
        printf(" or %s %.0f %%?", ctl_printable(ctl_text(reading, "other"), words, sizeof words), 100 * other);
    else if (*ctl_text(reading, "brew") && chance < 0.995)
        printf("; %.0f %% sure", 100 * chance);
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
    printf("%9.0f  %-24s %10.2f %9s  %s", ctl_value(reading, "seq"), whose, ctl_value(reading, "strength_pct"), sample,
           ago(reading, when, sizeof when));
    print_doubt(reading);
    putchar('\n');
}

/* Behind a brew's last reading: their mean, and how far they spread (the standard deviation); the suspect ones are in
 * neither. */
static void print_mean(const json_t *list, size_t last)
{
    const char *brew = ctl_text(json_array_get(list, last), "brew");
    double sum = 0, squares = 0, values[MEASURE_READINGS];
    char words[BREW_SIZE];
    int count = 0;

    for (size_t i = 0; i <= last; i++) {
        const json_t *one = json_array_get(list, i);

        if (count < MEASURE_READINGS && strcmp(ctl_text(one, "brew"), brew) == 0
            && !json_is_true(json_object_get(one, "suspect")))
            sum += values[count++] = ctl_value(one, "strength_pct");
    }
    for (int i = 0; i < count; i++)
        squares += (values[i] - sum / count) * (values[i] - sum / count);
    if (*brew && count > 1 && strcmp(ctl_text(json_array_get(list, last + 1), "brew"), brew) != 0)
        printf("%11s%-24s %10.3f  spread %.3f\n", "", ctl_printable(brew, words, sizeof words), sum / count,
               sqrt(squares / (count - 1)));
}

/* The budget as a metrologist writes it: each part in the unit of the result, its share of the variance, its degrees
 * of freedom; then all of it and what covers 95 %. */
static void print_budget(const json_t *budget)
{
    bool extraction = strcmp(ctl_text(budget, "of"), "extraction_pct") == 0;
    double u = ctl_value(budget, "standard_uncertainty"), k = ctl_value(budget, "coverage");
    const json_t *one;
    char words[64];
    size_t i;

    if (!json_is_object(budget))
        return;
    printf("\n%-34s %12s %12s %7s %9s\n", "where its uncertainty comes from", "strength %",
           extraction ? "extraction %" : "", "share", "freedom");
    json_array_foreach(json_object_get(budget, "parts"), i, one)
    {
        double strength_u = ctl_value(one, "strength_u_pct"), freedom = ctl_value(one, "freedom");

        printf("  %-32s ", ctl_printable(ctl_text(one, "words"), words, sizeof words));
        if (isnan(strength_u))
            printf("%12s", "");
        else
            printf("%12.4f", strength_u);
        if (extraction)
            printf(" %12.3f", ctl_value(one, "standard_uncertainty"));
        else
            printf(" %12s", "");
        printf(" %5.0f %%", 100 * ctl_value(one, "share"));
        if (isnan(freedom))
            printf(" %9s\n", "many");
        else
            printf(" %9.1f\n", freedom);
    }
    printf("%s %.*f %%, standard uncertainty %.*f", extraction ? "extraction" : "strength", extraction ? 2 : 3,
           ctl_value(budget, "value"), extraction ? 2 : 4, u);
    if (!isnan(ctl_value(budget, "freedom")))
        printf(", %.0f effective degrees of freedom", floor(ctl_value(budget, "freedom")));
    printf("; k = %.2f: +- %.*f covers 95 %%\n", k, extraction ? 2 : 3, k * u);
}

static int show_strength(const struct ctl *ctl, bool also_none)
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
    if (!json_array_size(list) && !ctl->json && also_none)
        program_message("no strength reading%s%s", ctl->word_count ? " of " : " yet",
                        ctl->word_count ? ctl->words[0] : "");
    if (ctl->word_count && ctl->json && json_is_object(json_object_get(reply, "budget")))
        ctl_print_json(json_object_get(reply, "budget"));
    else if (ctl->word_count)
        print_budget(json_object_get(reply, "budget"));
    json_decref(reply);
    return EXIT_DONE;
}

int command_strength(const struct ctl *ctl)
{
    return show_strength(ctl, true);
}

/* The next sample is this brew's: then what was read of it so far is shown, and how sure it is. */
static int name_sample(const struct ctl *ctl)
{
    json_t *request = ctl_request(ctl, "sample");
    int status;

    if (ctl->word_count > 0)
        json_object_set_new(request, "brew", json_string(ctl->words[0]));
    if (ctl->filtered >= 0)
        json_object_set_new(request, "filtered", json_boolean(ctl->filtered));
    status = ctl_order(ctl, request);
    return status == EXIT_DONE && ctl->word_count > 0 && !ctl->json ? show_strength(ctl, false) : status;
}

int command_sample(const struct ctl *ctl)
{
    const struct sample_order *order = sample_order(ctl);
    bool back = order && ctl->word_count == 3 && strcmp(order->word, "shift") == 0;
    json_t *request;
    bool named = true;

    if (!order && ctl->word_count < 2)
        return name_sample(ctl);
    if (!order || ctl->word_count - 1 < order->least || ctl->word_count - 1 > order->most
        || (back && strcmp(ctl->words[2], "back") != 0)) {
        program_message(
            "a sample is [BREW], swap BREW BREW, shift BREW [back], merge BREW BREW, take BREW READING, or undo");
        return EXIT_USAGE;
    }
    request = ctl_request(ctl, "sample");
    json_object_set_new(request, "how", json_string(back ? "shift-back" : order->word));
    if (ctl->word_count > 1)
        json_object_set_new(request, "brew", json_string(ctl->words[1]));
    if (strcmp(order->word, "take") == 0)
        named = put_reading(request, "with", ctl->words[2]);
    else if (ctl->word_count > 2 && !back)
        json_object_set_new(request, "with", json_string(ctl->words[2]));
    if (named)
        return ctl_order(ctl, request);
    json_decref(request);
    return EXIT_USAGE;
}
