/* poise-taste new: draws and seals the key, and shows beforehand what so few sets can show. */
#include <errno.h>
#include <sodium.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "poise/clock.h"
#include "poise/messages.h"
#include "poise/program.h"
#include "taste.h"

enum { SALT_BYTES = 16 }; /* 128 bits: nobody finds the key by trying all */

static int wrong(const char *sentence)
{
    program_say("%s", sentence);
    return EXIT_USAGE;
}

/* Text that goes into the key and onto sheets: printable, one line, not empty. */
static bool text_fits(const char *text, size_t size, const char *what)
{
    size_t length = strlen(text);

    if (length > 0 && length < size && strpbrk(text, "\r\n\t\x1b") == NULL)
        return true;
    program_say("%s: give 1 to %zu characters on one line", what, size - 1);
    return false;
}

static int check_names(const struct options *options)
{
    if (!name_valid(options->name))
        return wrong("a session's name has 1 to 32 characters of a-z 0-9 -");
    for (int i = 0; i < options->sample_count; i++) {
        if (!text_fits(options->sample[i], TASTING_LABEL_SIZE, "--sample"))
            return EXIT_USAGE;
        for (int j = 0; j < i; j++)
            if (strcmp(options->sample[i], options->sample[j]) == 0)
                return wrong("two samples have the same name: nothing would be compared");
    }
    for (int i = 0; i < options->taster_count; i++) {
        if (!text_fits(options->taster[i], TASTING_NAME_SIZE, "--taster"))
            return EXIT_USAGE;
        for (int j = 0; j < i; j++)
            if (strcmp(options->taster[i], options->taster[j]) == 0)
                return wrong("two tasters have the same name: their answers could not be kept apart");
    }
    if (options->question && !text_fits(options->question, DETAIL_SIZE, "--question"))
        return EXIT_USAGE;
    if (options->experiment && !name_valid(options->experiment))
        return wrong("--experiment: give the experiment's name as in its plan");
    return EXIT_DONE;
}

/* The one question a machine cannot answer. */
static int distinct_by_eye(const struct options *options)
{
    if (options->seen >= 0 || !isatty(STDIN_FILENO))
        return options->seen;
    return taste_ask_yes("Can the cups be distinguished by eye (colour, haze, fill)? y/n: ");
}

/* The question where none is given: "a, b or c". */
static void name_all(struct tasting_session *session)
{
    size_t length = 0, size = sizeof session->question;

    for (int i = 0; i < session->sample_count && length < size; i++)
        length += (size_t)snprintf(session->question + length, size - length, "%s%s",
                                   i == 0                          ? ""
                                   : i + 1 < session->sample_count ? ", "
                                                                   : " or ",
                                   session->sample[i]);
}

static void fill(struct tasting_session *session, const struct options *options)
{
    int tasters = options->taster_count ? options->taster_count : 1;
    int for_each = options->sets ? options->sets : tasting_orders(options->method, options->sample_count);

    snprintf(session->name, sizeof session->name, "%s", options->name);
    snprintf(session->experiment, sizeof session->experiment, "%s", options->experiment ? options->experiment : "");
    session->method = (enum tasting_method)options->method;
    session->sample_count = options->sample_count;
    for (int i = 0; i < options->sample_count; i++)
        snprintf(session->sample[i], TASTING_LABEL_SIZE, "%s", options->sample[i]);
    if (options->question)
        snprintf(session->question, sizeof session->question, "%s", options->question);
    else
        name_all(session);
    session->sets = for_each * tasters;
    for (int set = 0; set < session->sets && set < TASTING_SETS; set++)
        snprintf(session->taster[set], TASTING_NAME_SIZE, "%s",
                 options->taster_count ? options->taster[set / for_each] : "taster");
    session->alone = options->alone;
    session->made_us = clock_world_now().time_us;
}

static int draw_key(struct tasting_session *session, struct why *why)
{
    static struct tasting_set sets[TASTING_SETS];
    const char *samples[TASTING_CUPS];
    unsigned char random[SALT_BYTES];
    char salt[2 * SALT_BYTES + 1];
    int error =
        tasting_draw(session->method, session->sample_count, session->sets, tasting_system_random, NULL, sets, why);

    if (error || session->alone)
        return error;
    randombytes_buf(random, sizeof random);
    sodium_bin2hex(salt, sizeof salt, random, sizeof random);
    for (int i = 0; i < session->sample_count; i++)
        samples[i] = session->sample[i];
    if (tasting_key_write(session->name, session->method, samples, session->sample_count, salt, sets, session->sets,
                          session->key)
        < 0)
        return why_set(why, -ENOSPC, "the key is too long: fewer sets, or shorter names of samples");
    tasting_seal(session->key, session->seal);
    return 0;
}

static void print_session(const struct tasting_session *session)
{
    char outlook[SCORE_SENTENCE];

    printf("Tasting %s: %s, %d set%s of %d cups: %s\n\n", session->name, tasting_method_name(session->method),
           session->sets, session->sets == 1 ? "" : "s", tasting_cups(session->method, session->sample_count),
           session->question);
    printf("%s\n\n", tasting_outlook(session->method, session->sample_count, (unsigned)session->sets, outlook));
    if (session->seen)
        puts("The cups can be distinguished by eye: this is recorded as not blind. Opaque cups with lids, or a red "
             "light, would make it so.\n");
    if (session->alone)
        printf("Alone: poise-taste serve %s says how to label the cups underneath.\n", session->name);
    else
        printf("The key is drawn and sealed.  Its SHA-256, for everyone to keep:\n\n  %s\n\n"
               "The helper, out of sight of the tasters:  poise-taste serve %s\n",
               session->seal, session->name);
    printf("The tasters:  poise-taste answer %s\n\n", session->name);
    puts("Serve all cups alike: same cups, same fill, same temperature.  Let them cool until they can be sipped; "
         "near-boiling coffee scalds.  Rinse with water between cups.");
}

int taste_new(struct store *store, const struct options *options)
{
    static struct tasting_session session;
    struct why why;
    int seen, status = check_names(options);

    if (status != EXIT_DONE)
        return status;
    if (options->method < 0)
        return wrong("say which --method: triangle, two-of-five, duo-trio, paired or ranking");
    if (options->method == TASTING_RANKING ? options->sample_count < 3 : options->sample_count != 2)
        return wrong(options->method == TASTING_RANKING ? "a ranking wants three --sample or more"
                                                        : "name what is compared with two --sample");
    fill(&session, options);
    if (session.sets > TASTING_SETS) {
        program_say("%d sets in all: at most %d in one session", session.sets, TASTING_SETS);
        return EXIT_USAGE;
    }
    seen = distinct_by_eye(options);
    if (seen < 0)
        return wrong("say with --by-eye yes or no whether the cups can be distinguished by eye");
    session.seen = seen;
    if (draw_key(&session, &why) != 0 || store_tasting_add(store, &session, &why) != 0) {
        program_say("%s", why.text);
        return EXIT_FAILED;
    }
    print_session(&session);
    return EXIT_DONE;
}
