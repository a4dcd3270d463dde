/* poise-taste answer: asks the taster set by set.  It shows codes and nothing that gives the key away. */
#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "poise/clock.h"
#include "poise/program.h"
#include "taste.h"

enum { REMARKS = 2 * TASTING_CUPS };

static const char *const asks[TASTING_METHOD_COUNT] = {
    [TASTING_TRIANGLE] = "Which one is the odd one? ",
    [TASTING_TWO_OF_FIVE] = "Which two are alike, against the other three? ",
    [TASTING_DUO_TRIO] = "Which one is like the reference? ",
    [TASTING_PAIRED] = "Which one do you prefer? ",
    [TASTING_RANKING] = "In which order, from first to last? ",
};

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

static int find_code(const struct tasting_set *set, int code)
{
    for (int cup = 0; cup < set->cups; cup++)
        if (set->code[cup] == code)
            return cup;
    return -1;
}

/* Words for single cups until an empty line.  Returns how many, -1 at the end of input. */
static int ask_remarks(const struct tasting_set *set, bool alone, int set_number, struct tasting_remark *out)
{
    int count = 0;
    const char *line;

    while ((line = taste_ask("Words for a cup, as CODE words (empty line: no more): "))) {
        char *words;
        int code = (int)strtol(line, &words, 10);

        if (*line == '\0')
            return count;
        if (words == line || find_code(set, code) < 0 || !isspace((unsigned char)*words)) {
            printf("Begin with a code of this set, then the words.\n");
            continue;
        }
        if (count == REMARKS)
            return count;
        /* alone, places recur from set to set: the set's number keeps them apart */
        out[count].code = alone ? (set_number + 1) * 100 + code : code;
        snprintf(out[count++].text, TASTING_WORDS_SIZE, "%s", words + 1);
    }
    return -1;
}

static bool ask_answer(const struct tasting_session *session, const struct tasting_set *set, struct tasting_answer *out)
{
    int place[TASTING_CUPS];
    struct why why;
    const char *line;

    while ((line = taste_ask(asks[session->method]))) {
        int count = tasting_answer_read(session->method, set, line, place, &why);
        size_t length = 0;

        if (count < 0) {
            printf("%s.\n", why.text);
            continue;
        }
        for (int i = 0; i < count; i++)
            length += (size_t)snprintf(out->answer + length, sizeof out->answer - length, "%s%d", i ? " " : "",
                                       set->code[place[i]]);
        return true;
    }
    return false;
}

/* One set: asked, committed.  1: done, 0: the input ended, negative errno: the store said no. */
static int ask_set(struct store *store, const struct tasting_session *session, int number,
                   const struct tasting_set *set, struct why *why)
{
    struct tasting_remark remarks[REMARKS];
    struct tasting_answer answer = { .set = number };
    int sure, count;

    printf("\nSet %d of %d%s: the cups from left to right:", number + 1, session->sets,
           session->method == TASTING_DUO_TRIO ? ", beside the reference" : "");
    for (int cup = 0; cup < set->cups; cup++)
        printf("  %d", set->code[cup]);
    printf("\n");
    if (!ask_answer(session, set, &answer) || (sure = ask_sure()) < 0)
        return 0;
    count = ask_remarks(set, session->alone, number, remarks);
    snprintf(answer.taster, sizeof answer.taster, "%s", session->taster[number]);
    answer.sure = sure;
    return (count = store_tasting_answer_add(store, session->name, &answer, remarks, count < 0 ? 0 : count,
                                             clock_world_now().time_us, why))
                   < 0
               ? count
               : 1;
}

static bool has_taster(const struct tasting_session *session, const char *name)
{
    for (int set = 0; set < session->sets; set++)
        if (strcmp(session->taster[set], name) == 0)
            return true;
    return false;
}

/* Whose sets are asked: the one named, the only one, or whoever says so. */
static const char *find_taster(const struct tasting_session *session, const struct options *options)
{
    const char *name = options->taster_count ? options->taster[0] : NULL;

    if (options->taster_count > 1) {
        program_say("one taster at a time");
        return NULL;
    }
    if (!name && strcmp(session->taster[0], session->taster[session->sets - 1]) == 0)
        return session->taster[0];
    if (name && has_taster(session, name))
        return name;
    program_say(name ? "no taster '%s' in this session; there are:" : "say which --taster:", name);
    for (int set = 0; set < session->sets; set++)
        if (set == 0 || strcmp(session->taster[set], session->taster[set - 1]) != 0)
            program_say("  %s", session->taster[set]);
    return NULL;
}

/* Which sets have an answer. */
static int load_done(struct store *store, const char *name, bool *done, struct why *why)
{
    static struct tasting_answer answers[TASTING_SETS];
    int count = store_tasting_answers(store, name, answers, TASTING_SETS, why);

    for (int i = 0; i < count; i++)
        if (answers[i].set >= 0 && answers[i].set < TASTING_SETS)
            done[answers[i].set] = true;
    return count;
}

int taste_answer(struct store *store, const struct options *options)
{
    static struct tasting_session session;
    static struct tasting_set sets[TASTING_SETS];
    bool done[TASTING_SETS] = { false };
    const char *taster;
    struct why why;
    int result, left = 0;

    if (store_tasting_load(store, options->name, &session, &why) != 0 || store_tasting_sets(&session, sets, &why) < 0
        || load_done(store, options->name, done, &why) < 0) {
        program_say("%s", why.text);
        return EXIT_FAILED;
    }
    if (session.revealed_us > 0) {
        program_say("%s: the key has been opened: no answer counts after that", session.name);
        return EXIT_FAILED;
    }
    taster = find_taster(&session, options);
    if (!taster)
        return EXIT_USAGE;
    /* not the question: it may name what is in the cups */
    printf("%s, for %s.  Let the cups cool until they can be sipped; near-boiling coffee scalds.\n"
           "Common words: sweet, sour, bitter, harsh, hollow, clean, body; your own are as good.\n",
           session.name, taster);
    for (int set = 0; set < session.sets; set++) {
        if (done[set] || strcmp(session.taster[set], taster) != 0)
            continue;
        result = left ? 0 : ask_set(store, &session, set, &sets[set], &why);
        if (result == -EEXIST)
            printf("%s.\n", why.text);
        else if (result < 0) {
            program_say("%s", why.text);
            return EXIT_FAILED;
        }
        left += result == 0;
    }
    if (left) {
        program_say("stopped with %d set%s to go; what was answered is kept: call again to go on", left,
                    left == 1 ? "" : "s");
        return EXIT_FAILED;
    }
    printf("\nAll of %s's sets are answered.  When everyone is done: poise-taste reveal %s\n", taster, session.name);
    return EXIT_DONE;
}
