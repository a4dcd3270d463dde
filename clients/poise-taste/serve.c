/* poise-taste serve: for the helper.  Codes on one page, the map of the cups on another, and it is written down who
 * looked and when. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/clock.h"
#include "poise/program.h"
#include "taste.h"

/* Above it coffee scalds, and temperature hides taste (common practice, no source). */
static const double hot_c = 60;

static void print_alone(const struct tasting_session *session)
{
    taste_print(true,
                "Alone at the bench. For every set label the cups underneath where you cannot see it, pour, close "
                "your eyes, shuffle the cups by hand until you have lost track, and line them up. They are then "
                "called 1, 2, 3 ... from the left. Do not look underneath before all sets are answered.");
    for (int i = 0; i < session->sample_count; i++)
        taste_print(false, "  %c = %s", 'A' + i, session->sample[i].label);
    for (int set = 0; set < session->sets; set++) {
        bool other = set % 2; /* each sample is the odd one, or the pair, in turn */

        printf("  set %d: label", set + 1);
        if (session->method == TASTING_TRIANGLE)
            printf("%s", other ? " A B B" : " A A B");
        else if (session->method == TASTING_TWO_OF_FIVE)
            printf("%s", other ? " A A B B B" : " A A A B B");
        else if (session->method == TASTING_TETRAD)
            printf(" A A B B");
        else
            for (int i = 0; i < session->sample_count; i++)
                printf(" %c", 'A' + i);
        puts(session->method == TASTING_DUO_TRIO || session->method == TASTING_DEGREE ? "; and an open cup of A" : "");
    }
}

static const char *set_name(const struct tasting_session *session, int set, char *out, size_t size)
{
    int of, number = tasting_sheet_number(session, set, &of);

    if (session->of[set].warm_up)
        snprintf(out, size, "%s, warm-up", session->taster[session->of[set].taster]);
    else
        snprintf(out, size, "%s, set %d", session->taster[session->of[set].taster], number);
    return out;
}

/* One set's line: codes, and with the map what is in the cups. */
static void print_line(const struct tasting_session *session, int set, bool map)
{
    char name[80], text[240];
    size_t length = (size_t)snprintf(text, sizeof text, "%s:", set_name(session, set, name, sizeof name));

    for (int cup = 0; cup < session->set[set].cups && length < sizeof text; cup++)
        length += map ? (size_t)snprintf(text + length, sizeof text - length, "  %d\u00a0%c",
                                         session->set[set].code[cup], 'A' + session->set[set].sample[cup])
                      : (size_t)snprintf(text + length, sizeof text - length, "  %d", session->set[set].code[cup]);
    if (map && session->set[set].reference >= 0 && length < sizeof text)
        snprintf(text + length, sizeof text - length, "; open cup:\u00a0%c", 'A' + session->set[set].reference);
    taste_print(false, "%s", text);
}

static void print_codes(const struct tasting_session *session)
{
    taste_print(true, "Page 1: the codes. Anybody may see them.");
    for (int set = 0; set < session->sets; set++)
        print_line(session, set, false);
}

/* The map, as many sets at a time as the screen has rows; each gone with the next key. */
static bool show_map(const struct tasting_session *session)
{
    int rows = taste_rows(), fit = rows > 8 ? rows - 6 - session->sample_count : 2;

    fit = fit < 1 ? 1 : fit;
    for (int first = 0; first < session->sets; first += fit) {
        bool last = first + fit >= session->sets;

        taste_clear();
        taste_print(false, "Page 2: which sample in which cup, from the left.");
        for (int i = 0; i < session->sample_count; i++)
            taste_print(false, "  %c = %s", 'A' + i, session->sample[i].label);
        for (int set = first; set < session->sets && set < first + fit; set++)
            print_line(session, set, true);
        if (!taste_key(last ? "Any key clears the screen. " : "Any key: the next sets. ")) {
            taste_clear();
            return false;
        }
    }
    taste_clear();
    puts("The map is off the screen.");
    return true;
}

/* Equal warmth is half of a fair tasting: asked once for a session, kept with it. */
static bool ask_temperature(struct store *store, struct tasting_record *record, const struct options *options,
                            const char *who)
{
    const struct tasting_session *session = &record->session;
    struct tasting_happening happening = { .kind = KIND_TEMPERATURE, .who = who, .sure = -1 };
    const char *text = options->temperature;
    double value, least = 1000, most = -1000;
    int count = 0;
    char *end, kept[80];
    struct why why;

    if (!text) {
        taste_print(false, "Temperature of the samples as served, in \u00b0C, with blanks between:");
        for (int i = 0; i < session->sample_count; i++)
            taste_print(false, "  %s", session->sample[i].label);
        text = taste_ask("(Enter: not measured) ");
    }
    if (!text || !*text)
        return true;
    snprintf(kept, sizeof kept, "%s", text);
    for (const char *rest = kept; (value = strtod(rest, &end)), end != rest; rest = end, count++) {
        least = value < least ? value : least;
        most = value > most ? value : most;
    }
    if (count != session->sample_count || least < 0 || most > 100) {
        program_message("temperature: give %d numbers from 0 to 100", session->sample_count);
        return false;
    }
    if (most > hot_c)
        taste_print(false, "Above %.0f \u00b0C a sip scalds and hides the taste: let the samples cool.", hot_c);
    if (most - least > TASTING_UNEVEN_C)
        taste_print(false, "The samples differ by %.0f \u00b0C: that alone can be tasted. Let them come together.",
                    most - least);
    if ((most > hot_c || most - least > TASTING_UNEVEN_C) && !options->map && !taste_key("Any key goes on. "))
        return false;
    happening.text = kept;
    happening.time_us = clock_world_now().time_us;
    if (tasting_record_add(store, record, &happening, &why) != 0) {
        program_message("%s", why.text);
        return false;
    }
    return true;
}

/* On record before it is shown: a map that was seen was looked at. */
static bool write_down(struct store *store, struct tasting_record *record, const char *who, const char *how)
{
    struct tasting_happening happening = {
        .kind = KIND_LOOKED, .who = who, .text = how, .sure = -1, .time_us = clock_world_now().time_us
    };
    struct why why;

    if (tasting_record_add(store, record, &happening, &why) == 0)
        return true;
    program_message("%s", why.text);
    return false;
}

static int serve(struct store *store, struct tasting_record *record, const struct options *options)
{
    static char sealed[TASTING_TEXT_SIZE];
    char who[TASTING_NAME_SIZE];
    const char *asked = options->server ? options->server : taste_ask("Who serves (your name)? ");
    int status = EXIT_DONE;

    if (!asked || !*asked) {
        program_message("name who serves (--server): it is written down with the time");
        return EXIT_USAGE;
    }
    snprintf(who, sizeof who, "%s", asked);
    program_plain(who);
    for (int i = 0; i < record->session.taster_count; i++)
        if (strcasecmp(record->session.taster[i], who) == 0)
            taste_print(true, "%s tastes as well: answers given after this will be kept, and not counted.", who);
    if (!ask_temperature(store, record, options, who))
        return EXIT_FAILED;
    if (options->html)
        status = taste_page(options->html, record, false);
    if (status != EXIT_DONE || !taste_unlock(record, options, sealed))
        return EXIT_FAILED;
    if (!write_down(store, record, who, options->map ? "printed" : "on the screen")
        || !taste_unlock(record, options, sealed))
        return EXIT_FAILED;
    if (options->map)
        return taste_page(options->map, record, true);
    taste_clear();
    print_codes(&record->session);
    taste_print(false, "Out of the tasters' sight,");
    if (!taste_key("any key: the map. "))
        return EXIT_FAILED;
    return show_map(&record->session) ? EXIT_DONE : EXIT_FAILED;
}

int taste_serve(struct store *store, const struct options *options)
{
    struct tasting_record record;
    struct why why;
    int status;

    if (tasting_record_load(store, options->name, &record, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (record.opened_us) {
        program_message("%s: the key has been opened: there is nothing left to serve", record.session.name);
        status = EXIT_FAILED;
    } else if (record.session.alone) {
        print_alone(&record.session);
        status = EXIT_DONE;
    } else if (!options->map && !isatty(STDOUT_FILENO)) {
        program_message("the map is shown on a terminal, or written to a file of its own (--map FILE)");
        status = EXIT_USAGE;
    } else {
        status = serve(store, &record, options);
    }
    tasting_record_free(&record);
    return status;
}
