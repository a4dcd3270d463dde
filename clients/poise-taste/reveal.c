/* poise-taste reveal and look: the hash over all answers, the key opened and checked, what the answers mean. */
#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/clock.h"
#include "poise/place.h"
#include "poise/program.h"
#include "taste.h"

const char *taste_key_file(const struct options *options)
{
    static char path[4096];
    char own[PLACE_FOLDER_SIZE];

    if (options->key_file)
        return options->key_file;
    snprintf(path, sizeof path, "%s/keys/%s.key", place_own_data(own, sizeof own), options->name);
    return path;
}

bool taste_unlock(struct tasting_record *record, const struct options *options, char sealed[TASTING_TEXT_SIZE])
{
    static char word[128]; /* asked once for a run of the program */
    struct why why;

    if (!tasting_locked_in_file(record->row.lock) && !*word) {
        const char *line = taste_ask_secret("Helper's word: ");

        snprintf(word, sizeof word, "%s", line ? line : "");
    }
    if (tasting_record_unlock(record, word, taste_key_file(options), sealed, &why) == 0)
        return true;
    program_message("%s", why.text);
    return false;
}

/* What the taster finds underneath: letters from left to right.  False: not such as the method serves. */
static bool read_letters(const char *line, const struct tasting_session *session, int number, char *out)
{
    struct tasting_set set = session->set[number];
    int cup = 0;

    for (; *line; line++) {
        int sample = (*line & ~0x20) - 'A';

        if (*line == ' ' || *line == ',')
            continue;
        if (sample < 0 || sample >= session->sample_count || cup == set.cups)
            return false;
        set.sample[cup] = (unsigned char)sample;
        out[cup++] = (char)('A' + sample);
    }
    out[cup] = '\0';
    set.reference = session->method == TASTING_DUO_TRIO || session->method == TASTING_DEGREE ? 0 : -1;
    return cup == set.cups && tasting_set_possible(session->method, session->sample_count, &set);
}

static bool is_underneath(const struct tasting_record *record, int set)
{
    for (int i = 0; i < record->entries; i++)
        if (strcmp(record->entry[i].kind, KIND_UNDERNEATH) == 0 && record->entry[i].set == set + 1)
            return true;
    return false;
}

/* Alone: asks what stands underneath; each set's letters are kept as they come. */
static int look_underneath(struct store *store, struct tasting_record *record, struct why *why)
{
    puts("Now look underneath, and give the letters from the left:");
    for (int i = 0; i < record->session.sample_count; i++)
        taste_print(false, "  %c = %s", 'A' + i, record->session.sample[i].label);
    for (int set = 0; set < record->session.sets; set++) {
        char prompt[80], letters[TASTING_CUPS + 1];
        struct tasting_happening happening = { .kind = KIND_UNDERNEATH, .set = set + 1, .sure = -1, .answer = letters };
        const char *line;
        int error;

        if (is_underneath(record, set))
            continue;
        snprintf(prompt, sizeof prompt, "Set %d: ", set + 1);
        while ((line = taste_ask(prompt)) && !read_letters(line, &record->session, set, letters))
            printf("Give %d letters, such as the cups were labelled.\n", record->session.set[set].cups);
        if (!line)
            return why_set(why, -ECANCELED, "stopped before all sets were looked at: call again to go on");
        happening.time_us = clock_world_now().time_us;
        error = tasting_record_add(store, record, &happening, why);
        if (error)
            return error;
    }
    return 0;
}

static void print_answers(const struct tasting_record *record)
{
    const struct tasting_session *session = &record->session;

    for (int set = 0; set < session->sets; set++) {
        const struct store_tasting_entry *entry = tasting_record_answer(record, set + 1);
        int place[TASTING_CUPS];
        struct why why;

        int of, number = tasting_sheet_number(session, set, &of);

        if (session->of[set].warm_up)
            printf("  %s, warm-up:", session->taster[session->of[set].taster]);
        else
            printf("  %s, set %d:", session->taster[session->of[set].taster], number);
        for (int cup = 0; cup < session->set[set].cups; cup++)
            printf("  %d %c", session->set[set].code[cup], 'A' + session->set[set].sample[cup]);
        if (entry)
            printf("  | %s, %s", entry->answer, entry->sure == 1 ? "sure" : "a guess");
        if (entry && tasting_method_has_right(session->method)
            && tasting_answer_read(session->method, &session->set[set], entry->answer, place, &why) > 0)
            printf(": %s", tasting_answer_right(session->method, &session->set[set], place) ? "right" : "wrong");
        puts("");
    }
    for (int i = 0; i < session->sample_count; i++)
        printf("  %c = %s\n", 'A' + i, session->sample[i].label);
}

/* The sample that a remark is about, by its code; -1: none. */
static int remarked(const struct tasting_session *session, const struct store_tasting_entry *entry)
{
    const struct tasting_set *set = &session->set[entry->set - 1];

    for (int cup = 0; entry->set >= 1 && entry->set <= session->sets && cup < set->cups; cup++)
        if (set->code[cup] == atoi(entry->answer))
            return set->sample[cup];
    return -1;
}

/* Whether a word stands in a text as a word of its own, in any case. */
static bool has_word(const char *text, const char *word, size_t length)
{
    for (; *text; text += strcspn(text, " ,;.")) {
        text += strspn(text, " ,;.");
        if (strcspn(text, " ,;.") == length && strncasecmp(text, word, length) == 0)
            return true;
    }
    return false;
}

static void print_words(const struct tasting_record *record)
{
    const struct tasting_session *session = &record->session;

    for (int i = 0; i < record->entries; i++) {
        const struct store_tasting_entry *entry = &record->entry[i];
        int sample = strcmp(entry->kind, KIND_WORDS) == 0 ? remarked(session, entry) : -1;

        if (sample >= 0)
            taste_print(false, "  %s (%s): %s", session->sample[sample].label, entry->who, entry->text);
    }
    for (const char *word = session->offered; *word; word += strcspn(word, " ,")) {
        size_t length;
        unsigned of[TASTING_CUPS] = { 0 };

        word += strspn(word, " ,");
        length = strcspn(word, " ,");
        for (int i = 0; i < record->entries && length > 0; i++) {
            int sample = strcmp(record->entry[i].kind, KIND_WORDS) == 0 ? remarked(session, &record->entry[i]) : -1;

            if (sample >= 0 && has_word(record->entry[i].text, word, length))
                of[sample]++;
        }
        printf("  %.*s:", (int)length, word);
        for (int i = 0; i < session->sample_count; i++)
            printf("%s %s %u", i ? "," : "", session->sample[i].label, of[i]);
        puts("");
    }
}

/* The verdict of the question that this session belongs to. */
static int print_verdict(struct store *store, const struct tasting_session *session, struct why *why)
{
    enum { MOST = 64 };
    struct tasting_verdict *verdict = calloc(MOST, sizeof *verdict);
    int count = verdict ? tasting_verdicts(store, session->experiment, verdict, MOST, why)
                        : why_set(why, -ENOMEM, "not enough memory");

    for (int i = 0; i < count; i++)
        if (verdict[i].method == session->method && strcmp(verdict[i].question, session->question) == 0
            && verdict[i].planned == session->planned
            && strcmp(verdict[i].sample[0].label, session->sample[0].label) == 0)
            taste_print_verdict(&verdict[i]);
    free(verdict);
    return count < 0 ? count : 0;
}

/* Both hashes before anything opens: what everyone may note, and what was noted at the beginning.  0 not compared,
 * 1 the same, negative: another. */
static int compare_hashes(const struct tasting_record *record, const struct options *options)
{
    char noted[TASTING_SHORT_SIZE];
    const char *line = options->noted;

    taste_print(false, "Hash over all answers:  %s", tasting_short(record->answers_head, noted));
    if (!line)
        line = taste_ask("Hash noted at the beginning (Enter: none was): ");
    if (!line || !*line)
        return 0;
    if (tasting_noted(line, record->row.seal))
        return 1;
    program_message(
        "%s: that is not the hash of this tasting: it was replaced, or the note is of another; the key stays "
        "closed",
        record->session.name);
    return -EBADF;
}

static int open_key(struct store *store, struct tasting_record *record, const struct options *options, bool early)
{
    static char sealed[TASTING_TEXT_SIZE];
    int noted = compare_hashes(record, options);
    struct tasting_happening opened = { .kind = KIND_OPENED, .sure = early, .text = sealed };
    struct why why;

    if (noted < 0)
        return EXIT_FAILED;
    if ((record->session.alone && look_underneath(store, record, &why) != 0)) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (!taste_unlock(record, options, sealed))
        return EXIT_FAILED;
    opened.answer = noted ? "noted" : "not compared";
    opened.time_us = clock_world_now().time_us;
    if (tasting_record_add(store, record, &opened, &why) == 0) /* on record before it is shown */
        return EXIT_DONE;
    program_message("%s", why.text);
    return EXIT_FAILED;
}

static int reveal(struct store *store, struct tasting_record *record, const struct options *options)
{
    int missing = tasting_counted(&record->session) - record->answered;
    struct why why;
    bool early = missing > 0 && !record->stopped;

    if (early && !record->opened_us && !options->force) {
        program_message(
            "%s: %d of %d sets have no answer yet; opened now, nothing could be concluded (--force does it, and "
            "stays on record)",
            record->session.name, missing, tasting_counted(&record->session));
        return EXIT_FAILED;
    }
    if (!record->opened_us && open_key(store, record, options, early) != EXIT_DONE)
        return EXIT_FAILED;
    if (options->key) { /* so that sha256sum gives the seal */
        fputs(record->entry[record->entries - 1].text, stdout);
        return EXIT_DONE;
    }
    taste_print(true, "The key fits its seal %s (poise-taste reveal %s --key | sha256sum).", record->row.seal,
                record->session.name);
    print_answers(record);
    puts("");
    if (print_verdict(store, &record->session, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    print_words(record);
    return EXIT_DONE;
}

int taste_reveal(struct store *store, const struct options *options)
{
    struct tasting_record record;
    struct why why;
    int status;

    if (tasting_record_load(store, options->name, &record, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    status = reveal(store, &record, options);
    tasting_record_free(&record);
    return status;
}

int taste_look(struct store *store, const struct options *options)
{
    static char sealed[TASTING_TEXT_SIZE];
    struct tasting_record record;
    struct tasting_happening look = { .kind = KIND_LOOK, .sure = -1 };
    unsigned answered, bound;
    char text[64];
    bool reached;
    struct why why;
    int status = EXIT_FAILED;

    if (tasting_record_load(store, options->name, &record, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (record.opened_us)
        program_message("%s: the key has been opened already", record.session.name);
    else if (taste_unlock(&record, options, sealed)) {
        int error = tasting_look(&record, &answered, &bound, &reached, &why);

        snprintf(text, sizeof text, "%u %u %s", answered, bound, reached ? "stop" : "go on");
        look.text = text;
        look.time_us = clock_world_now().time_us;
        if (error || tasting_record_add(store, &record, &look, &why) != 0) {
            program_message("%s", why.text);
        } else {
            if (reached)
                taste_print(false, "After %u of %u sets: stop. The bound for this look is reached; reveal %s.",
                            answered, record.session.planned, options->name);
            else
                taste_print(false,
                            "After %u of %u sets: go on. The bound for this look is not reached. The look is "
                            "paid for.",
                            answered, record.session.planned);
            status = EXIT_DONE;
        }
    }
    tasting_record_free(&record);
    return status;
}
