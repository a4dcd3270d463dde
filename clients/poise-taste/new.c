/* poise-taste new: what is compared, by whom, how often; drawn, sealed, and what so few sets can show. */
#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/clock.h"
#include "poise/messages.h"
#include "poise/program.h"
#include "taste.h"

/* Caffeine in a ml of such coffee, and what EFSA (2015, from memory) names for one sitting of an adult. */
static const double caffeine_mg_per_ml = 0.6, caffeine_mg = 200;

static int wrong(const char *sentence)
{
    program_message("%s", sentence);
    return EXIT_USAGE;
}

/* Text that goes into the key and onto sheets: printable, one line, not empty. */
static bool text_fits(const char *text, size_t size, const char *what)
{
    size_t length = strlen(text);
    bool plain = length > 0 && length < size && text[0] != ' ' && text[length - 1] != ' ';

    for (const char *c = text; *c; c++)
        plain = plain && (unsigned char)*c >= ' ' && *c != 0x7f;
    if (!plain)
        program_message("%s: give 1 to %zu characters on one line", what, size - 1);
    return plain;
}

/* ---- samples ---- */

/* "steep_s" and 75: "steep 75 s". */
static void add_factor(char *out, size_t size, const char *name, const json_t *value)
{
    static const char *const units[][2] = {
        { "_kpa", " kPa" }, { "_pct", " %" }, { "_s", " s" }, { "_g", " g" }, { "_c", " \u00b0C" }
    };
    const char *unit = "";
    size_t length = strlen(name), used = strlen(out);
    char plain[NAME_SIZE];

    for (size_t i = 0; i < sizeof units / sizeof *units && !*unit; i++)
        if (length > strlen(units[i][0]) && strcmp(name + length - strlen(units[i][0]), units[i][0]) == 0) {
            length -= strlen(units[i][0]);
            unit = units[i][1];
        }
    snprintf(plain, sizeof plain, "%.*s", (int)length, name);
    for (char *c = plain; *c; c++)
        *c = *c == '_' ? ' ' : *c;
    if (json_is_number(value))
        snprintf(out + used, size - used, "%s%s %g%s", used ? ", " : "", plain, json_number_value(value), unit);
    else
        snprintf(out + used, size - used, "%s%s %s", used ? ", " : "", plain, json_string_value(value));
}

/* The level of the plan in words; a brew without a plan goes by its name. */
static void name_sample(struct tasting_sample *sample, const char *brew)
{
    json_t *factors = json_loads(sample->level, 0, NULL), *value;
    const char *name;

    *sample->label = '\0';
    json_object_foreach(factors, name, value) add_factor(sample->label, sizeof sample->label, name, value);
    json_decref(factors);
    if (!*sample->label)
        snprintf(sample->label, sizeof sample->label, "%s", brew);
}

/* One brew more for a sample: it must exist, be weighed, and be of the sample's level. */
static bool add_brew(struct store *store, const char *name, struct tasting_session *session,
                     struct tasting_sample *sample, double *held_g)
{
    struct store_tasting_brew brew;
    size_t used = strlen(sample->brews);
    struct why why;

    if (store_tasting_brew(store, name, &brew, &why) != 0) {
        program_message("--sample: %s", why.text);
        return false;
    }
    if (brew.discarded || isnan(brew.dose_g) || isnan(brew.water_g) || isnan(brew.beverage_g)) {
        program_message("--sample: brew %s %s: a sample is poured from a brew that was weighed", brew.name,
                        brew.discarded ? "was discarded" : "lacks its coffee, water or beverage");
        return false;
    }
    if (used == 0) {
        snprintf(sample->level, sizeof sample->level, "%s", strcmp(brew.level, "{}") == 0 ? "" : brew.level);
        name_sample(sample, brew.name);
        if (sample == session->sample)
            snprintf(session->experiment, sizeof session->experiment, "%s", brew.experiment);
    } else if (strcmp(sample->level, brew.level) != 0) {
        program_message("--sample: brew %s is not %s: brews of one sample are of one level", brew.name, sample->label);
        return false;
    }
    if (strcmp(session->experiment, brew.experiment) != 0) {
        program_message("--sample: brew %s is of experiment '%s', the others of '%s'", brew.name, brew.experiment,
                        session->experiment);
        return false;
    }
    snprintf(sample->brews + used, sizeof sample->brews - used, "%s%s", used ? " " : "", brew.name);
    *held_g += brew.beverage_g;
    return true;
}

static bool take_samples(struct store *store, const struct options *options, struct tasting_session *session,
                         double *held_g)
{
    session->sample_count = options->sample_count;
    for (int i = 0; i < options->sample_count; i++) {
        char *names = strdup(options->sample[i]), *rest = names, *name;
        bool good = names != NULL;

        while (good && (name = strsep(&rest, ",")))
            good = add_brew(store, name, session, &session->sample[i], &held_g[i]);
        free(names);
        if (!good)
            return false;
        for (int j = 0; j < i; j++)
            if (strcmp(session->sample[i].label, session->sample[j].label) == 0) {
                program_message("two samples are both %s: nothing would be compared", session->sample[i].label);
                return false;
            }
    }
    return true;
}

/* ---- the session ---- */

static int check_options(const struct options *options)
{
    if (!name_valid(options->name))
        return wrong("a session's name has 1 to 32 characters of a-z 0-9 -");
    if (options->method < 0)
        return wrong("name the --method: triangle, two-of-five, duo-trio, tetrad, directional, preference, ranking or "
                     "degree");
    if (options->method == TASTING_RANKING ? options->sample_count < 3 : options->sample_count != 2)
        return wrong(options->method == TASTING_RANKING ? "a ranking wants three --sample or more"
                     : options->method == TASTING_DEGREE
                         ? "name the control with the first --sample, what is held against it with the second"
                         : "name what is compared with two --sample");
    for (int i = 0; i < options->taster_count; i++) {
        if (!text_fits(options->taster[i], TASTING_NAME_SIZE, "--taster"))
            return EXIT_USAGE;
        for (int j = 0; j < i; j++)
            if (strcasecmp(options->taster[i], options->taster[j]) == 0)
                return wrong("two tasters have the same name: their answers could not be kept apart");
    }
    if (options->question && !text_fits(options->question, DETAIL_SIZE, "--question"))
        return EXIT_USAGE;
    if (options->attribute && !text_fits(options->attribute, TASTING_NAME_SIZE, "--attribute"))
        return EXIT_USAGE;
    if (options->offered && !text_fits(options->offered, TASTING_WORD_LIST_SIZE, "--offer"))
        return EXIT_USAGE;
    if (options->may_look && (options->method > TASTING_TETRAD || options->planned))
        return wrong("--may-look is for methods with right answers, and one session");
    return EXIT_DONE;
}

/* The question where none is given: "triangle: a, b or c". */
static void name_all(struct tasting_session *session)
{
    size_t size = sizeof session->question;
    size_t length = (size_t)snprintf(session->question, size, "%s: ", tasting_method_name(session->method));

    for (int i = 0; i < session->sample_count && length < size; i++)
        length += (size_t)snprintf(session->question + length, size - length, "%s%s",
                                   i == 0                          ? ""
                                   : i + 1 < session->sample_count ? ", "
                                                                   : " or ",
                                   session->sample[i].label);
}

static bool take_expected(const struct options *options, struct tasting_session *session)
{
    session->expected = -1;
    if (!options->expect)
        return true;
    for (int i = 0; i < session->sample_count; i++)
        if ((options->expect[0] | 0x20) == 'a' + i && options->expect[1] == '\0')
            session->expected = i;
    if (session->expected < 0 || session->method != TASTING_DIRECTIONAL)
        program_message("--expect %s: give A or B, the sample of which more is expected, in a directional test",
                        options->expect);
    return session->expected >= 0 && session->method == TASTING_DIRECTIONAL;
}

/* Whose set is which: a warm-up first, then those that count. */
static void deal(struct tasting_session *session, int for_each, bool warm_up)
{
    session->sets = 0;
    for (int taster = 0; taster < session->taster_count; taster++)
        for (int i = warm_up ? -1 : 0; i < for_each && session->sets < TASTING_SETS; i++) {
            session->of[session->sets].taster = taster;
            session->of[session->sets++].warm_up = i < 0;
        }
}

static bool fill(struct tasting_session *session, const struct options *options)
{
    int for_each = options->sets, wanted;

    snprintf(session->name, sizeof session->name, "%s", options->name);
    session->method = (enum tasting_method)options->method;
    snprintf(session->attribute, sizeof session->attribute, "%s", options->attribute ? options->attribute : "");
    session->taster_count = options->taster_count ? options->taster_count : 1;
    for (int i = 0; i < session->taster_count; i++)
        snprintf(session->taster[i], TASTING_NAME_SIZE, "%s", options->taster_count ? options->taster[i] : "taster");
    if (options->question)
        snprintf(session->question, sizeof session->question, "%s", options->question);
    else
        name_all(session);
    session->alpha = TASTING_ALPHA;
    session->power = TASTING_POWER;
    session->share = options->share > 0 ? options->share : TASTING_SHARE;
    session->limit = options->limit > 0 ? options->limit : TASTING_LIMIT;
    session->beta = TASTING_BETA;
    session->alone = options->alone;
    session->may_look = options->may_look;
    session->swallow = options->swallow;
    session->rest_s = options->rest_s;
    session->cup_ml = options->cup_ml;
    snprintf(session->offered, sizeof session->offered, "%s", options->offered ? options->offered : "");
    if (for_each == 0) { /* as many as the power wants */
        wanted = (int)tasting_sets_needed(session->method, session->sample_count, session->alpha, session->power,
                                          session->share);
        for_each = (wanted + session->taster_count - 1) / session->taster_count;
    }
    if (for_each < 1 || (for_each + !options->no_warm_up) * session->taster_count > TASTING_SETS) {
        program_message("%d sets for each of %d tasters plus warm-ups: at most %d in one session", for_each,
                        session->taster_count, TASTING_SETS);
        return false;
    }
    deal(session, for_each, !options->no_warm_up);
    session->planned = options->planned ? (unsigned)options->planned : (unsigned)tasting_counted(session);
    session->made_us = clock_world_now().time_us;
    tasting_rule(session);
    return true;
}

static int draw(struct tasting_session *session, struct why *why)
{
    int error = tasting_draw(session->method, session->sample_count, session->sets, tasting_system_random, NULL,
                             session->set, why);

    for (int set = 0; set < session->sets && !error && session->alone; set++)
        for (int cup = 0; cup < session->set[set].cups; cup++)
            session->set[set].code[cup] = cup + 1;
    return error;
}

/* The one question a machine cannot answer. */
static int seen_by_eye(const struct options *options)
{
    if (options->seen >= 0 || !isatty(STDIN_FILENO))
        return options->seen;
    return taste_ask_yes("Can the cups be distinguished by eye (colour, haze, fill)? y/n: ");
}

/* ---- what is said ---- */

int taste_cups_each(const struct tasting_session *session)
{
    int sets = session->sets / session->taster_count;
    bool open = session->method == TASTING_DUO_TRIO || session->method == TASTING_DEGREE;

    return sets * (tasting_cups(session->method, session->sample_count) + open);
}

/* Most cups of one sample that a set may take. */
static int most_of_one(const struct tasting_session *session)
{
    switch (session->method) {
    case TASTING_TWO_OF_FIVE:
        return 3;
    case TASTING_TRIANGLE:
    case TASTING_DUO_TRIO:
    case TASTING_TETRAD:
    case TASTING_DEGREE:
        return 2;
    default:
        return 1;
    }
}

static void print_amounts(const struct tasting_session *session, const double *held_g)
{
    int wanted = session->sets * most_of_one(session) * session->cup_ml,
        drunk = taste_cups_each(session) * session->cup_ml;

    for (int i = 0; i < session->sample_count; i++)
        if (held_g[i] < wanted)
            taste_print(false,
                        "%s: %d sets of %d ml cups take up to %d ml, its brews hold %.0f: brew more of it, or "
                        "plan fewer sets.",
                        session->sample[i].label, session->sets, session->cup_ml, wanted, held_g[i]);
    taste_print(true, "Each taster gets %d cups of %d ml and %s.%s", taste_cups_each(session), session->cup_ml,
                session->swallow ? "swallows" : "spits",
                session->swallow && drunk * caffeine_mg_per_ml > caffeine_mg
                    ? " That much coffee is more caffeine than an adult should take at one sitting (200 mg): spit, or "
                      "spread it over the day."
                    : "");
}

static void print_session(const struct tasting_session *session, const double *held_g, const char *seal,
                          const struct options *options, bool word)
{
    char outlook[TASTING_SENTENCE], noted[TASTING_SHORT_SIZE];
    int counted = tasting_counted(session);

    taste_print(false, "Tasting %s, %s: %s", session->name, tasting_method_name(session->method), session->question);
    taste_print(true, "%d set%s that count%s%s, %d taster%s, %d s of rest between sets.", counted,
                counted == 1 ? "" : "s", counted == 1 ? "s" : "", counted < session->sets ? ", a warm-up each" : "",
                session->taster_count, session->taster_count == 1 ? "" : "s", session->rest_s);
    taste_print(true, "%s", tasting_outlook(session, outlook));
    taste_print(true, "Rule, sealed: %s", session->rule);
    if (session->seen)
        taste_print(true, "The cups can be distinguished by eye: nothing will be concluded. Opaque cups with lids, or "
                          "a red light, would make it blind.");
    print_amounts(session, held_g);
    taste_print(true,
                "Hash to note now, and to compare at the reveal:\n\n  %s\n\n(the first digits of the seal, SHA-256, "
                "%s)",
                tasting_short(seal, noted), seal);
    if (!word)
        taste_print(true,
                    "The key lies in %s, readable for this user alone. A helper's word would close it to this "
                    "user too.",
                    taste_key_file(options));
    taste_print(true,
                session->alone ? "Alone: poise-taste serve %s shows how to label the cups underneath."
                               : "The helper, out of sight:  poise-taste serve %s",
                session->name);
    taste_print(true, "The tasters:  poise-taste answer %s%s", session->name,
                session->taster_count > 1 ? " --taster NAME" : "");
}

/* The helper's word, twice at a terminal; NULL: none, the key goes into a file.  False: none could be had. */
static bool ask_word(const struct options *options, char *word, size_t size, bool *given)
{
    const char *line =
        options->key_file ? "" : taste_ask_secret("Helper's word, to close the key with (Enter: keep it in a file): ");

    *given = line && *line;
    if (!*given)
        return true;
    snprintf(word, size, "%s", line);
    if (strlen(word) < TASTING_WORD_LEAST) {
        program_message("the helper's word needs %d characters or more", TASTING_WORD_LEAST);
        return false;
    }
    if (!isatty(STDIN_FILENO))
        return true;
    line = taste_ask_secret("The same word again: ");
    if (!line || strcmp(line, word) != 0)
        program_message("the two words differ: nothing was set up");
    return line && strcmp(line, word) == 0;
}

int taste_new(struct store *store, const struct options *options)
{
    static struct tasting_session session;
    double held_g[TASTING_CUPS] = { 0 };
    char word[128] = "", seal[TASTING_SEAL_SIZE];
    int seen, status = check_options(options);
    struct why why;
    bool given;

    if (status != EXIT_DONE)
        return status;
    if (!take_samples(store, options, &session, held_g) || !take_expected(options, &session)
        || !fill(&session, options))
        return EXIT_USAGE;
    seen = seen_by_eye(options);
    if (seen < 0)
        return wrong("--by-eye yes or no is needed: can the cups be distinguished by eye?");
    session.seen = seen;
    if (!ask_word(options, word, sizeof word, &given))
        return EXIT_USAGE;
    if (draw(&session, &why) != 0
        || tasting_record_new(store, &session, given ? word : NULL, taste_key_file(options), seal, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    explicit_bzero(word, sizeof word);
    print_session(&session, held_g, seal, options, given);
    return EXIT_DONE;
}
