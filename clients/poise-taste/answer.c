/* poise-taste answer: asks the taster set by set.  It shows codes and nothing that gives the key away. */
#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

#include "poise/clock.h"
#include "poise/program.h"
#include "taste.h"

static const char *const ordinal[TASTING_CUPS] = { "first", "second",  "third",  "fourth", "fifth",
                                                   "sixth", "seventh", "eighth", "ninth",  "tenth" };

/* "493, the first from the left", or both of two, or all in order. */
static void print_choice(const struct tasting_session *session, const struct tasting_set *set, const int *place,
                         int count, bool sure)
{
    char text[400] = "";
    size_t length = 0;

    for (int i = 0; i < count && length < sizeof text; i++)
        if (session->method == TASTING_DEGREE)
            length += (size_t)snprintf(text + length, sizeof text - length, "%s%d: %d", i ? ", " : "", set->code[i],
                                       place[i]);
        else
            length += (size_t)snprintf(text + length, sizeof text - length, "%s%d, the %s", i ? "; " : "",
                                       set->code[place[i]], ordinal[place[i]]);
    taste_print(false, "%s%s. %s.", text, session->method == TASTING_DEGREE ? "" : " from the left",
                sure ? "You are sure" : "A guess");
}

/* 1 sure, 0 a guess, -1 end of input. */
static int ask_sure(void)
{
    const char *line;

    while ((line = taste_ask("Sure, or a guess? (s/g) "))) {
        if (strncasecmp(line, "s", 1) == 0)
            return 1;
        if (strncasecmp(line, "g", 1) == 0)
            return 0;
    }
    return -1;
}

/* The choice, confidence, and both shown back until they are confirmed.  The number of places, as tasting_answer_read;
 * 0: the input ended. */
static int ask_answer(const struct tasting_session *session, const struct tasting_set *set, int place[TASTING_CUPS],
                      int *sure)
{
    int count, kept = 0;
    struct why why;

    do {
        const char *line = taste_ask("Your answer (code or place): ");

        if (!line)
            return 0;
        count = tasting_answer_read(session->method, set, line, place, &why);
        if (count < 0) {
            taste_print(false, "%s.", why.text);
            continue;
        }
        *sure = ask_sure();
        if (*sure < 0)
            return 0;
        print_choice(session, set, place, count, *sure);
        kept = taste_ask_yes("Seal it for ever? (y/n) ");
        if (kept < 0)
            return 0;
    } while (kept != 1);
    return count;
}

/* Words for single cups until an empty line; each is kept at once. */
static int ask_words(struct store *store, struct tasting_record *record, int set, struct why *why)
{
    const struct tasting_session *session = &record->session;
    const char *line;

    if (*session->offered)
        taste_print(false, "Words at hand: %s; your own are as good.", session->offered);
    taste_print(false, "Words for a cup, as CODE words (Enter: none).");
    while ((line = taste_ask("Words: ")) && *line) {
        char *words;
        long number = strtol(line, &words, 10);
        int cup = 0, error;

        while (cup < session->set[set].cups && session->set[set].code[cup] != number && cup + 1 != number)
            cup++;
        if (words == line || !isspace((unsigned char)*words) || cup == session->set[set].cups) {
            taste_print(false, "Begin with a code of this set, then the words.");
            continue;
        }
        error =
            tasting_sheet_words(store, record, set, cup, words + strspn(words, " \t"), clock_world_now().time_us, why);
        if (error)
            return error;
        session = &record->session;
    }
    return line ? 1 : 0;
}

static void print_set(const struct tasting_session *session, int set)
{
    int of, number = tasting_sheet_number(session, set, &of);
    char cups[160] = "", question[TASTING_QUESTION_SIZE];

    if (session->of[set].warm_up)
        taste_print(false, "%s: warm-up, does not count.", session->taster[session->of[set].taster]);
    else
        taste_print(false, "%s: set %d of %d.", session->taster[session->of[set].taster], number, of);
    for (int cup = 0; cup < session->set[set].cups; cup++) {
        size_t length = strlen(cups);

        snprintf(cups + length, sizeof cups - length, "%s%d", cup ? "  " : "", session->set[set].code[cup]);
    }
    taste_print(false, "Cups from the left:  %s", cups);
    taste_print(false, "%s", tasting_sheet_question(session, question));
}

/* One set: rested before, asked, sealed.  1: done, 0: the input ended, negative errno. */
static int ask_set(struct store *store, struct tasting_record *record, int set, struct why *why)
{
    const struct tasting_session *session = &record->session;
    int taster = session->of[set].taster, place[TASTING_CUPS], count, sure, error;
    int64_t rested = tasting_sheet_rested_s(record, taster, clock_world_now().time_us);
    char receipt[TASTING_SHORT_SIZE];

    if (rested >= 0 && rested < session->rest_s) {
        taste_clear();
        taste_print(false, "Rest your palate: a rinse with water. Enter goes on before the time; that is recorded.");
        taste_wait("Next set in", session->rest_s - (int)rested);
        rested = tasting_sheet_rested_s(record, taster, clock_world_now().time_us);
    }
    if (rested >= 0)
        taste_clear();
    print_set(session, set);
    count = ask_answer(session, &session->set[set], place, &sure);
    if (count == 0)
        return 0;
    error = tasting_sheet_seal(store, record, set, place, count, sure, rested, clock_world_now().time_us, why);
    if (error)
        return error;
    taste_print(false, "Sealed. Receipt: %s", tasting_short(tasting_record_answer(record, set + 1)->hash, receipt));
    return ask_words(store, record, set, why);
}

/* In turn: whoever has rested longest of those who have sets left; -1: nobody. */
static int next_taster(const struct tasting_record *record)
{
    int best = -1;
    int64_t longest = 0;

    for (int taster = 0; taster < record->session.taster_count; taster++) {
        int64_t rested = tasting_sheet_rested_s(record, taster, clock_world_now().time_us);

        if (tasting_sheet_next(record, taster) < 0)
            continue;
        rested = rested < 0 ? INT64_MAX : rested;
        if (best < 0 || rested > longest) {
            best = taster;
            longest = rested;
        }
    }
    return best;
}

/* Whose sets are asked, by name or number; -1: nobody of that name, -2: everyone in turn. */
static int find_taster(const struct tasting_session *session, const struct options *options)
{
    const char *name = options->taster_count ? options->taster[0] : NULL;
    char *end;
    long number = name ? strtol(name, &end, 10) : 0;

    if (!name)
        return session->taster_count == 1 ? 0 : -2;
    if (tasting_sheet_taster(session, name) >= 0)
        return tasting_sheet_taster(session, name);
    if (end != name && *end == '\0' && number >= 1 && number <= session->taster_count)
        return (int)number - 1;
    program_message("no taster '%s' in this session; there are:", name);
    for (int i = 0; i < session->taster_count; i++)
        program_message("  %d %s", i + 1, session->taster[i]);
    return -1;
}

static void print_start(const struct tasting_record *record, int taster)
{
    const struct tasting_session *session = &record->session;

    taste_clear();
    /* not the question: it may name what is in the cups */
    taste_print(false, "%s. %d cups of %d ml: %s. Sip only what has cooled; rinse between cups.", session->name,
                taste_cups_each(session), session->cup_ml, session->swallow ? "swallow" : "spit");
    for (int i = 0; i < session->taster_count; i++)
        if ((taster == i || taster == -2) && tasting_record_saw(record, session->taster[i], 0))
            taste_print(false, "%s has seen the map: answers are kept, and not counted.", session->taster[i]);
}

static int ask_all(struct store *store, struct tasting_record *record, int who, struct why *why)
{
    int result = 1, taster, last = -1;

    while (result > 0 && (taster = who == -2 ? next_taster(record) : who) >= 0) {
        int set = tasting_sheet_next(record, taster);

        if (set < 0)
            break;
        if (who == -2 && taster != last) {
            char prompt[TASTING_NAME_SIZE + 80];

            snprintf(prompt, sizeof prompt, "Over to %s, alone at the screen: Enter ", record->session.taster[taster]);
            if (last >= 0)
                taste_clear();
            if (!taste_ask(prompt))
                return 0;
            last = taster;
        }
        result = ask_set(store, record, set, why);
        if (result == -EEXIST) { /* another window was quicker: its answer stands, and this one sees it */
            struct tasting_record fresh;

            taste_print(false, "%s.", why->text);
            result = tasting_record_load(store, record->row.name, &fresh, why);
            if (result == 0) {
                tasting_record_free(record);
                *record = fresh;
                result = 1;
            }
        }
    }
    return result;
}

int taste_answer(struct store *store, const struct options *options)
{
    struct tasting_record record;
    struct why why;
    char noted[TASTING_SHORT_SIZE];
    int who, result = 0, left;

    if (options->taster_count > 1) {
        program_message("one taster at a time, or none: then all in turn");
        return EXIT_USAGE;
    }
    if (tasting_record_load(store, options->name, &record, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (record.opened_us) {
        program_message("%s: the key has been opened: no answer counts after that", record.session.name);
        tasting_record_free(&record);
        return EXIT_FAILED;
    }
    who = find_taster(&record.session, options);
    if (who == -1) {
        tasting_record_free(&record);
        return EXIT_USAGE;
    }
    print_start(&record, who);
    result = ask_all(store, &record, who, &why);
    left = tasting_sheet_left(&record, who < 0 ? -1 : who);
    if (result < 0)
        program_message("%s", why.text);
    else if (left)
        program_message("stopped with %d set%s to go; what was sealed is kept: call again to go on", left,
                        left == 1 ? "" : "s");
    else
        taste_print(false, "\nAll %s%s%ssets are answered.", who >= 0 ? "of " : "",
                    who >= 0 ? record.session.taster[who] : "", who >= 0 ? "'s " : "");
    if (result >= 0 && tasting_sheet_left(&record, -1) == 0)
        taste_print(false, "All answers are in. Hash over all answers, to note before the key is opened:\n  %s",
                    tasting_short(record.answers_head, noted));
    tasting_record_free(&record);
    return result < 0 || left ? EXIT_FAILED : EXIT_DONE;
}
