/* poise-taste reveal: opens the key, checks its seal, says what the answers mean. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/clock.h"
#include "poise/program.h"
#include "taste.h"

const char *taste_ask(const char *prompt)
{
    static char *line;
    static size_t size;
    ssize_t length;

    printf("%s", prompt);
    fflush(stdout);
    length = getline(&line, &size, stdin);
    if (length < 0) {
        free(line);
        line = NULL;
        size = 0;
        puts("");
        return NULL;
    }
    line[strcspn(line, "\r\n")] = '\0';
    return line;
}

int taste_ask_yes(const char *prompt)
{
    const char *line;

    while ((line = taste_ask(prompt))) {
        if (*line == 'y' || *line == 'Y')
            return 1;
        if (*line == 'n' || *line == 'N')
            return 0;
    }
    return -1;
}

/* What the taster finds underneath: letters from left to right.  False: not that many, or none of the samples. */
static bool read_letters(const char *line, const struct tasting_session *session, struct tasting_set *set)
{
    int cup = 0, of[TASTING_CUPS] = { 0 };

    for (; *line; line++) {
        int sample = (*line & ~0x20) - 'A';

        if (*line == ' ' || *line == ',')
            continue;
        if (sample < 0 || sample >= session->sample_count || cup == set->cups)
            return false;
        set->sample[cup++] = (unsigned char)sample;
        of[sample]++;
    }
    for (int i = 0; i < session->sample_count; i++)
        if (of[i] == 0)
            return false; /* every set holds every sample */
    return cup == set->cups && (session->method != TASTING_TWO_OF_FIVE || of[0] == 2 || of[0] == 3);
}

/* Alone: asks what stands underneath, and keeps it as the key. */
static int look_underneath(struct store *store, struct tasting_session *session, struct tasting_set *sets,
                           struct why *why)
{
    const char *samples[TASTING_CUPS];
    char prompt[80];

    puts("Now look underneath, and give the letters from left to right:");
    for (int i = 0; i < session->sample_count; i++) {
        samples[i] = session->sample[i];
        printf("  %c = %s\n", 'A' + i, samples[i]);
    }
    for (int set = 0; set < session->sets; set++) {
        const char *line;

        snprintf(prompt, sizeof prompt, "Set %d: ", set + 1);
        while ((line = taste_ask(prompt)) && !read_letters(line, session, &sets[set]))
            printf("Give %d letters, each sample at least once.\n", sets[set].cups);
        if (!line)
            return why_set(why, -ECANCELED,
                           "stopped before all sets were looked at; nothing was kept of it: "
                           "call again");
    }
    if (tasting_key_write(session->name, session->method, samples, session->sample_count, "none", sets, session->sets,
                          session->key)
        < 0)
        return why_set(why, -ENOSPC, "the key is too long to keep");
    return store_tasting_set_key(store, session->name, session->key, why);
}

struct words_context {
    const struct tasting_session *session;
    const struct tasting_set *sets;
};

static void each_remark(const struct tasting_remark *remark, const char *taster, void *context)
{
    const struct words_context *words = context;
    int sample = store_tasting_remarked(words->session, words->sets, remark->code);

    if (sample >= 0)
        printf("  %s (%s): %s\n", words->session->sample[sample], taster, remark->text);
}

/* The common words, counted for each sample. */
static int print_word_counts(struct store *store, const struct tasting_session *session, struct why *why)
{
    unsigned count[TASTING_CUPS][TASTING_WORDS] = { { 0 } };
    const char *samples[TASTING_CUPS];
    char text[SCORE_SENTENCE];
    int error = store_tasting_words(store, session, count, why);

    for (int i = 0; i < session->sample_count; i++)
        samples[i] = session->sample[i];
    if (!error && *tasting_words_text(count, samples, session->sample_count, text))
        printf("  %s\n", text);
    return error;
}

static void print_sets(const struct tasting_session *session, const struct tasting_set *sets,
                       const struct tasting_answer *answers, int count)
{
    for (int i = 0; i < count; i++) {
        const struct tasting_set *set = &sets[answers[i].set];
        int place[TASTING_CUPS];
        struct why why;

        printf("  set %d, %s:", answers[i].set + 1, answers[i].taster);
        for (int cup = 0; cup < set->cups; cup++)
            printf("  %d %s", set->code[cup], session->sample[set->sample[cup]]);
        printf("  | said %s, %s", answers[i].answer, answers[i].sure ? "sure" : "a guess");
        if (session->method <= TASTING_DUO_TRIO
            && tasting_answer_read(session->method, set, answers[i].answer, place, &why) > 0)
            printf(": %s", tasting_answer_right(session->method, set, place) ? "right" : "wrong");
        puts("");
    }
}

static int open_key(struct store *store, struct tasting_session *session, bool peek, struct why *why)
{
    static struct tasting_answer answers[TASTING_SETS];
    static struct tasting_set sets[TASTING_SETS];
    struct words_context words = { .session = session, .sets = sets };
    struct tasting_score score;
    int count, error = store_tasting_sets(session, sets, why);

    if (error < 0)
        return error;
    if (session->alone && !*session->key && (error = look_underneath(store, session, sets, why)) != 0)
        return error;
    /* on record before it is shown: a key that was seen was opened */
    if (session->revealed_us == 0
        && (error = store_tasting_opened(store, session->name, peek, clock_world_now().time_us, why)) != 0)
        return error;
    session->peeks += peek;
    tasting_score_begin(&score, session->method, session->sample_count);
    count = store_tasting_answers(store, session->name, answers, TASTING_SETS, why);
    if (count < 0 || (error = store_tasting_score(store, session, &score, why)) != 0)
        return count < 0 ? count : error;
    if (!session->alone)
        printf("The key, word for word (its SHA-256 is the seal %s):\n\n%s\n", session->seal, session->key);
    print_sets(session, sets, answers, count);
    puts("");
    taste_print_score(&score, session);
    error = store_tasting_remarks(store, session->name, each_remark, &words, why);
    return error ? error : print_word_counts(store, session, why);
}

int taste_reveal(struct store *store, const struct options *options)
{
    static struct tasting_session session;
    static struct tasting_answer answers[TASTING_SETS];
    struct why why;
    int count, missing;

    if (store_tasting_load(store, options->name, &session, &why) != 0
        || (count = store_tasting_answers(store, options->name, answers, TASTING_SETS, &why)) < 0) {
        program_say("%s", why.text);
        return EXIT_FAILED;
    }
    missing = session.sets - count;
    if (missing > 0 && session.revealed_us == 0 && !options->force) {
        program_say("%s: %d of %d sets have no answer yet; opening the key now would end the session (--force does, "
                    "and stays on record)",
                    session.name, missing, session.sets);
        return EXIT_FAILED;
    }
    if (open_key(store, &session, missing > 0 && session.revealed_us == 0, &why) != 0) {
        program_say("%s", why.text);
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}
