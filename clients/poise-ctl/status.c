/* What the bench reports of itself, for people: stations, brews that wait, instruments. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "ctl.h"
#include "poise/messages.h"
#include "poise/program.h"

/* The state; for --json it is printed at once.  Returns EXIT_DONE with a reply to free, or, when everything is printed
 * already, a NULL reply. */
static int ask_state(const struct ctl *ctl, json_t **reply)
{
    int status = ctl_ask(ctl, json_pack("{s:s}", "do", "status"), reply);

    if (status != EXIT_DONE || !ctl->json)
        return status;
    ctl_print_json(ctl_state(*reply));
    json_decref(*reply);
    *reply = NULL;
    return EXIT_DONE;
}

/* "2.4 s", "3 min 05 s" since a moment on the bench's clock; "" when it is not known. */
static const char *since(const json_t *state, const json_t *object, const char *key, char *out, size_t size)
{
    double seconds = (ctl_value(state, "mono_us") - ctl_value(object, key)) / 1e6;

    if (isnan(seconds))
        snprintf(out, size, "%s", "");
    else if (seconds < 60)
        snprintf(out, size, "%.1f s", seconds);
    else if (seconds < 3600)
        snprintf(out, size, "%d min %02d s", (int)seconds / 60, (int)seconds % 60);
    else
        snprintf(out, size, "%d h %02d min", (int)(seconds / 3600), (int)fmod(seconds / 60, 60));
    return out;
}

static bool is_above(const json_t *above, const char *measure)
{
    json_t *one;
    size_t i;

    json_array_foreach(above, i, one)
    {
        const char *name = json_string_value(one);

        if (name && strcmp(name, measure) == 0)
            return true;
    }
    return false;
}

static void print_measures(const json_t *measures, const json_t *above, const struct guide_units *units)
{
    char words[80];

    for (int i = 0; i < MEASURE_COUNT; i++) {
        enum measure measure = (enum measure)i;
        const json_t *one = json_object_get(measures, measure_name(measure));
        double value = ctl_value(one, "value"), u = ctl_value(one, "standard_uncertainty");

        if (!isnan(value))
            printf("             %-42s %s\n", measure_summary(measure),
                   guide_measure_words(measure, value, u, is_above(above, measure_name(measure)), units, words,
                                       sizeof words));
    }
}

static void print_station(const struct ctl *ctl, const json_t *state, const json_t *station)
{
    char name[NAME_SIZE], stage[NAME_SIZE], brew[BREW_SIZE], age[32], detail[DETAIL_SIZE];
    const json_t *question = json_object_get(station, "question");
    struct guide_units units = ctl_units(ctl, state);
    char words[64];

    printf("%-12s %-10s", ctl_printable(ctl_text(station, "station"), name, sizeof name),
           ctl_printable(ctl_text(station, "stage"), stage, sizeof stage));
    if (*since(state, station, "stage_at_us", age, sizeof age))
        printf(" for %s", age);
    if (*ctl_text(station, "brew"))
        printf(", %s", ctl_printable(ctl_text(station, "brew"), brew, sizeof brew));
    if (!isnan(ctl_value(station, "load_g")))
        printf(", %.1f g on the scale", ctl_value(station, "load_g"));
    if (!isnan(ctl_value(station, "water_g")))
        printf(", %.1f g of water", ctl_value(station, "water_g"));
    if (!isnan(ctl_value(station, "press_kpa")))
        printf(", pressing with %s",
               guide_pressure_words(ctl_value(station, "press_kpa"), NAN, &units, words, sizeof words));
    putchar('\n');
    if (*ctl_text(station, "brew"))
        print_measures(json_object_get(station, "measures"), json_object_get(station, "above"), &units);
    if (json_is_object(question))
        printf("             asks: %s\n", ctl_printable(ctl_text(question, "detail"), detail, sizeof detail));
}

int command_status(const struct ctl *ctl)
{
    const json_t *state, *last, *plan;
    char name[NAME_SIZE], brew[BREW_SIZE], title[DETAIL_SIZE];
    struct guide_units units;
    json_t *reply, *one;
    size_t index;
    int status = ask_state(ctl, &reply);

    if (status != EXIT_DONE || !reply)
        return status;
    state = ctl_state(reply);
    units = ctl_units(ctl, state);
    printf("bench %s\n", ctl_printable(ctl_text(state, "bench"), name, sizeof name));
    json_array_foreach(json_object_get(state, "stations"), index, one) print_station(ctl, state, one);
    json_array_foreach(json_object_get(state, "waiting"), index, one)
        printf("%s waits for its strength: %.0f of %.0f readings\n",
               ctl_printable(ctl_text(one, "brew"), brew, sizeof brew), ctl_value(one, "have"), ctl_value(one, "want"));
    last = json_object_get(state, "last");
    if (json_is_object(last)) {
        printf("last brew: %s\n", ctl_printable(ctl_text(last, "brew"), brew, sizeof brew));
        print_measures(json_object_get(last, "measures"), json_object_get(last, "above"), &units);
    }
    plan = json_object_get(state, "plan");
    if (json_is_object(plan))
        printf("plan: %s, %.0f of %.0f runs done\n",
               ctl_printable(ctl_text(plan, *ctl_text(plan, "title") ? "title" : "experiment"), title, sizeof title),
               ctl_value(plan, "done"), ctl_value(plan, "of"));
    json_decref(reply);
    return EXIT_DONE;
}

/* "12.3 g", "12.3 g, moving", "overload", "-" */
static const char *indication(const json_t *instrument, char *out, size_t size)
{
    char unit[16], word[16];
    const json_t *stable = json_object_get(instrument, "stable");
    double value = ctl_value(instrument, "value");

    if (!isnan(value))
        snprintf(out, size, "%.10g %s%s", value, ctl_printable(ctl_text(instrument, "unit"), unit, sizeof unit),
                 json_is_false(stable) ? ", moving" : "");
    else if (*ctl_text(instrument, "status"))
        snprintf(out, size, "%s", ctl_printable(ctl_text(instrument, "status"), word, sizeof word));
    else
        snprintf(out, size, "-");
    return out;
}

/* The line, and below it why it is not read. */
static void print_instrument(const json_t *reply, const json_t *instrument)
{
    char name[NAME_SIZE], condition[16], shown[64], age[32], driver[24], port[128], detail[DETAIL_SIZE];
    double rate_hz = ctl_value(instrument, "rate_hz");
    const char *reason;
    json_t *count, *also;
    size_t index;

    since(reply, instrument, "mono_us", age, sizeof age);
    printf("%-16s %-10s %-18s %-12s", ctl_printable(ctl_text(instrument, "instrument"), name, sizeof name),
           ctl_printable(ctl_text(instrument, "condition"), condition, sizeof condition),
           indication(instrument, shown, sizeof shown), *age ? age : "-");
    if (isnan(rate_hz))
        printf(" %6s", "-");
    else
        printf(" %6.1f", rate_hz);
    printf("  %s %s", ctl_printable(ctl_text(instrument, "driver"), driver, sizeof driver),
           ctl_printable(ctl_text(instrument, "port"), port, sizeof port));
    if (*ctl_text(instrument, "weighs"))
        printf(", weighs the %s", ctl_printable(ctl_text(instrument, "weighs"), name, sizeof name));
    json_object_foreach(json_object_get(instrument, "rejects"), reason, count) if (json_integer_value(count) > 0)
        printf(", %" JSON_INTEGER_FORMAT " rejected: %s", json_integer_value(count),
               ctl_printable(reason, name, sizeof name));
    putchar('\n');
    json_array_foreach(json_object_get(instrument, "also"), index, also)
        printf("%-16s %-10s %-18s %s\n", "", "and", indication(also, shown, sizeof shown),
               since(reply, also, "mono_us", age, sizeof age));
    if (*ctl_text(instrument, "about"))
        printf("%-16s reported by the scale: %s\n", "",
               ctl_printable(ctl_text(instrument, "about"), detail, sizeof detail));
    if (strcmp(ctl_text(instrument, "condition"), "ready") != 0 && *ctl_text(instrument, "detail"))
        printf("%-16s %s\n", "", ctl_printable(ctl_text(instrument, "detail"), detail, sizeof detail));
}

/* A section keeps its lines, and nothing else that could move a cursor. */
static void print_section(const char *section)
{
    char line[160], shown[160];

    while (*section) {
        size_t length = strcspn(section, "\n");

        snprintf(line, sizeof line, "%.*s", (int)length, section);
        printf("%s\n", ctl_printable(line, shown, sizeof shown));
        section += length + (section[length] == '\n');
    }
}

static void print_plugged(const json_t *one)
{
    char port[256], usb[16], title[64], detail[512];

    printf("\n%s", ctl_printable(ctl_text(one, "port"), port, sizeof port));
    if (*ctl_text(one, "usb"))
        printf("  (%s %s)", ctl_printable(ctl_text(one, "usb"), usb, sizeof usb),
               ctl_printable(ctl_text(one, "title"), title, sizeof title));
    printf("\n  %s\n", ctl_printable(ctl_text(one, "detail"), detail, sizeof detail));
    print_section(ctl_text(one, "section"));
}

int command_instruments(const struct ctl *ctl)
{
    const json_t *instruments, *plugged;
    json_t *reply, *one;
    size_t index;
    int status = ctl_ask(ctl, json_pack("{s:s}", "do", "instruments"), &reply);

    if (status != EXIT_DONE)
        return status;
    instruments = json_object_get(reply, "instruments");
    plugged = json_object_get(reply, "plugged");
    if (ctl->json) {
        json_array_foreach(instruments, index, one) ctl_print_json(one);
        json_array_foreach(plugged, index, one) ctl_print_json(one);
        json_decref(reply);
        return EXIT_DONE;
    }
    printf("%-16s %-10s %-18s %-12s %6s  %s\n", "instrument", "condition", "shows", "age", "per s", "driver and port");
    json_array_foreach(instruments, index, one) print_instrument(reply, one);
    if (json_array_size(plugged) > 0)
        printf("\nplugged in, and in no section\n");
    json_array_foreach(plugged, index, one) print_plugged(one);
    json_decref(reply);
    return EXIT_DONE;
}
