/* Tastings for the pages; see sheet.h. */
#include "sheet.h"

#include <errno.h>
#include <fcntl.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/clock.h"
#include "poise/tasting_sheet.h"
#include "run.h"

enum { SESSIONS = 40, WORD_MOST = 120 };

static bool refused(struct job *job, int error)
{
    if (error)
        job->status = error == -ENOENT ? 404 : error == -EEXIST || error == -EROFS ? 409 : error == -EINVAL ? 400 : 500;
    return error != 0;
}

static bool refuse(struct job *job, unsigned status, const char *why)
{
    job->status = status;
    why_write(&job->why, "%s", why);
    return false;
}

/* Opens the store and the job's session; false: the job has the reason. */
static bool open_record(struct job *job, enum store_mode mode, struct store **store, struct tasting_record *record)
{
    if (refused(job, store_open(store, job->board->store, mode, &job->why)))
        return false;
    if (!refused(job, tasting_record_load(*store, job->word[0], record, &job->why)))
        return true;
    store_close(*store);
    return false;
}

static void close_record(struct store *store, struct tasting_record *record)
{
    tasting_record_free(record);
    store_close(store);
}

static void add_string(struct text *out, const char *key, const char *value)
{
    text_print(out, ",\"%s\":", key);
    text_string(out, value);
}

/* ---- a taster ---- */

/* How many cups an answer names. */
static int choices(const struct tasting_session *session, int cups)
{
    switch (session->method) {
    case TASTING_TWO_OF_FIVE:
    case TASTING_TETRAD:
        return 2;
    case TASTING_RANKING:
    case TASTING_DEGREE:
        return cups;
    default:
        return 1;
    }
}

static void add_set(const struct tasting_session *session, int set, struct text *out)
{
    char question[TASTING_QUESTION_SIZE];
    int of, number = tasting_sheet_number(session, set, &of), cups = session->set[set].cups;

    text_print(
        out, ",\"state\":\"ask\",\"number\":%d,\"of\":%d,\"warm_up\":%s,\"choose\":%d,\"ordered\":%s,\"rated\":%s",
        number, of, session->of[set].warm_up ? "true" : "false", choices(session, cups),
        session->method == TASTING_RANKING ? "true" : "false", session->method == TASTING_DEGREE ? "true" : "false");
    add_string(out, "question", tasting_sheet_question(session, question));
    add_string(out, "offered", session->offered);
    text_print(out, ",\"codes\":[");
    for (int cup = 0; cup < cups; cup++)
        text_print(out, "%s%d", cup ? "," : "", session->set[set].code[cup]);
    text_print(out, "]");
}

/* One set at a time, and none of another's; the map is not here, so that it cannot be shown. */
static void write_sheet(const struct tasting_record *record, int taster, bool now, struct text *out)
{
    const struct tasting_session *session = &record->session;
    int set = tasting_sheet_next(record, taster);
    int64_t rested_s = tasting_sheet_rested_s(record, taster, clock_world_now().time_us);
    int64_t wait_s = rested_s < 0 ? 0 : session->rest_s - rested_s;
    char noted[TASTING_SHORT_SIZE];

    text_print(out, "{\"ok\":true,\"cup_ml\":%d,\"swallow\":%s,\"wait\":%d", session->cup_ml,
               session->swallow ? "true" : "false", set >= 0 && wait_s > 0 ? (int)wait_s : 0);
    add_string(out, "session", session->name);
    add_string(out, "taster", session->taster[taster]);
    if (record->opened_us)
        add_string(out, "state", "opened");
    else if (set >= 0 && (wait_s <= 0 || now))
        add_set(session, set, out);
    else if (set >= 0)
        add_string(out, "state", "rest");
    else if (tasting_sheet_left(record, -1) > 0)
        add_string(out, "state", "done");
    else {
        add_string(out, "state", "answered");
        add_string(out, "hash", tasting_short(record->answers_head, noted));
    }
    text_print(out, "}");
}

void sheet_fill(struct job *job)
{
    struct tasting_record record;
    struct store *store;
    int taster;

    if (!open_record(job, STORE_READ, &store, &record))
        return;
    taster = tasting_sheet_taster(&record.session, job->word[1]);
    if (taster < 0)
        refuse(job, 404, "this taster is not of this session");
    else
        write_sheet(&record, taster, job->number == 1, &job->out);
    close_record(store, &record);
}

/* Whether the codes are those of the set: a page that shows an earlier one answers nothing. */
static bool same_codes(const json_t *codes, const struct tasting_set *set)
{
    if (json_array_size(codes) != (size_t)set->cups)
        return false;
    for (int cup = 0; cup < set->cups; cup++)
        if (json_integer_value(json_array_get(codes, (size_t)cup)) != set->code[cup])
            return false;
    return true;
}

/* The words for cups of the set, as {"493": "ripe pear"}: those of cup `cup`; NULL: none. */
static const char *words_for(const json_t *asked, const struct tasting_set *set, int cup)
{
    char code[8];
    const char *words;

    snprintf(code, sizeof code, "%d", set->code[cup]);
    words = json_string_value(json_object_get(json_object_get(asked, "words"), code));
    return words && *words ? words : NULL;
}

/* Words are of cups of this set, and short enough to be kept whole. */
static bool words_fit(struct job *job, const json_t *asked, const struct tasting_set *set)
{
    json_t *words = json_object_get(asked, "words"), *value;
    const char *code;

    if (words && !json_is_object(words))
        return refuse(job, 400, "words come with the code of their cup");
    json_object_foreach(words, code, value)
    {
        bool known = false;

        for (int cup = 0; cup < set->cups; cup++)
            known = known || (json_is_string(value) && words_for(asked, set, cup) == json_string_value(value));
        if (!json_is_string(value) || (*json_string_value(value) && !known))
            return refuse(job, 400, "words come with the code of their cup");
        if (json_string_length(value) >= TASTING_WORDS_MOST)
            return refuse(job, 400, "these words are too long: two short sentences at most");
    }
    return true;
}

static void seal(struct job *job, struct store *store, struct tasting_record *record, const json_t *asked)
{
    const char *answer = json_string_value(json_object_get(asked, "answer"));
    const json_t *sure = json_object_get(asked, "sure");
    int taster = tasting_sheet_taster(&record->session, job->word[1]);
    int set = taster < 0 ? -1 : tasting_sheet_next(record, taster), place[TASTING_CUPS], count;
    int64_t now_us = clock_world_now().time_us;
    char receipt[TASTING_SHORT_SIZE];

    if (record->opened_us || set < 0 || !same_codes(json_object_get(asked, "codes"), &record->session.set[set])) {
        refuse(job, 409, "that set has its answer already: nothing was changed");
        return;
    }
    if (!answer || !json_is_boolean(sure)) {
        refuse(job, 400, "an answer names cups, and whether you are sure");
        return;
    }
    if (!words_fit(job, asked, &record->session.set[set]))
        return;
    count = tasting_answer_read(record->session.method, &record->session.set[set], answer, place, &job->why);
    if (count < 0) {
        job->status = 400;
        return;
    }
    if (refused(job, tasting_sheet_seal(store, record, set, place, count, json_is_true(sure),
                                        tasting_sheet_rested_s(record, taster, now_us), now_us, &job->why)))
        return;
    for (int cup = 0; cup < record->session.set[set].cups; cup++) {
        const char *words = words_for(asked, &record->session.set[set], cup);

        if (words && refused(job, tasting_sheet_words(store, record, set, cup, words, now_us, &job->why)))
            return;
    }
    text_print(&job->out, "{\"ok\":true");
    add_string(&job->out, "receipt", tasting_short(tasting_record_answer(record, set + 1)->hash, receipt));
    text_print(&job->out, "}");
}

void sheet_fill_answer(struct job *job)
{
    json_t *asked = json_loads(job->body, JSON_REJECT_DUPLICATES, NULL);
    struct tasting_record record;
    struct store *store;

    if (open_record(job, STORE_WRITE, &store, &record)) {
        seal(job, store, &record, asked);
        close_record(store, &record);
    }
    json_decref(asked);
}

/* ---- whoever runs it ---- */

int sheet_known(const char *path, const char *session, const char *taster, struct why *why)
{
    struct tasting_record record;
    struct store *store;
    int error = store_open(&store, path, STORE_READ, why);

    if (error)
        return error;
    error = tasting_record_load(store, session, &record, why);
    if (!error) {
        if (tasting_sheet_taster(&record.session, taster) < 0)
            error = why_set(why, -ENOENT, "%s: no taster of that name", session);
        tasting_record_free(&record);
    }
    store_close(store);
    return error;
}

struct listing {
    struct text *out;
    int count;
};

static int add_name(const char *name, bool lost, void *context)
{
    struct listing *listing = context;

    if (lost)
        return 0;
    text_print(listing->out, listing->count++ ? "," : "");
    text_string(listing->out, name);
    return 0;
}

void sheet_fill_list(struct job *job)
{
    struct listing listing = { .out = &job->out };
    struct store *store;
    int error = store_open(&store, job->board->store, STORE_READ, &job->why);

    text_print(&job->out, "{\"ok\":true,\"sessions\":[");
    if (error == 0) {
        error = store_tasting_names(store, add_name, &listing, &job->why);
        store_close(store);
    }
    text_print(&job->out, "]}");
    if (error != -ENOENT)
        refused(job, error);
}

static void write_session(const struct tasting_record *record, struct text *out)
{
    const struct tasting_session *session = &record->session;
    char noted[TASTING_SHORT_SIZE];

    text_print(out, "{\"ok\":true,\"opened\":%s,\"left\":%d,\"alone\":%s,\"word\":%s",
               record->opened_us ? "true" : "false", tasting_sheet_left(record, -1), session->alone ? "true" : "false",
               tasting_locked_in_file(record->row.lock) ? "false" : "true");
    add_string(out, "session", session->name);
    add_string(out, "seal", tasting_short(record->row.seal, noted));
    text_print(out, ",\"tasters\":[");
    for (int taster = 0; taster < session->taster_count; taster++) {
        int all = 0;

        for (int set = 0; set < session->sets; set++)
            all += session->of[set].taster == taster;
        text_print(out, "%s{\"all\":%d,\"left\":%d", taster ? "," : "", all, tasting_sheet_left(record, taster));
        add_string(out, "name", session->taster[taster]);
        text_print(out, "}");
    }
    text_print(out, "]}");
}

void sheet_fill_session(struct job *job)
{
    struct tasting_record record;
    struct store *store;

    if (!open_record(job, STORE_READ, &store, &record))
        return;
    write_session(&record, &job->out);
    close_record(store, &record);
}

/* ---- what needs the key ---- */

/* A line for a program to read: no control characters, and not too long. */
static bool one_line(const json_t *asked, const char *key, char out[WORD_MOST])
{
    const char *text = json_string_value(json_object_get(asked, key));

    *out = '\0';
    if (!text)
        return true;
    if (strlen(text) >= WORD_MOST)
        return false;
    for (const char *letter = text; *letter; letter++)
        if ((unsigned char)*letter < ' ' || *letter == 0x7f)
            return false;
    strcpy(out, text);
    return true;
}

static bool read_back(struct job *job, const char *path)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    char block[4096];
    ssize_t got;

    if (fd < 0)
        return refuse(job, 500, "the map was not made");
    while ((got = read(fd, block, sizeof block)) > 0)
        text_add(&job->out, block, (size_t)got);
    close(fd);
    return true;
}

/* poise-taste writes the map and that it was looked at; its file is gone before anybody sees the page. */
static void print_map(struct job *job, char *server, char *temperature, const char *word)
{
    char path[BOARD_PLACE_SIZE + 48], input[WORD_MOST + 2];
    unsigned char random[8];
    char name[2 * sizeof random + 1];

    randombytes_buf(random, sizeof random);
    sodium_bin2hex(name, sizeof name, random, sizeof random);
    snprintf(path, sizeof path, "%s/map-%s.html", job->board->folder, name);
    snprintf(input, sizeof input, "%s\n", word);
    if (run_program(job,
                    (char *[]){ (char *)"poise-taste", (char *)"serve", job->word[0], (char *)"--store",
                                job->board->store, (char *)"--server", server, (char *)"--temperature", temperature,
                                (char *)"--map", path, NULL },
                    input)) {
        text_free(&job->out);
        job->out = (struct text){ 0 };
        job->type = "text/html; charset=utf-8";
        read_back(job, path);
    }
    unlink(path);
    explicit_bzero(input, sizeof input);
}

/* A key that lies in a file would open without anybody's word: then the map is not for a page. */
static bool has_word(struct job *job)
{
    struct tasting_record record;
    struct store *store;
    bool closed;

    if (!open_record(job, STORE_READ, &store, &record))
        return false;
    closed = !tasting_locked_in_file(record.row.lock) && !record.session.alone;
    close_record(store, &record);
    return closed || refuse(job, 403, "the key of this tasting has no helper's word: serve it with poise-taste");
}

void sheet_fill_map(struct job *job)
{
    json_t *asked = json_loads(job->body, JSON_REJECT_DUPLICATES, NULL);
    char server[WORD_MOST], temperature[WORD_MOST], word[WORD_MOST];

    if (!one_line(asked, "server", server) || !one_line(asked, "temperature", temperature)
        || !one_line(asked, "word", word) || !*server || *server == '-' || !*word)
        refuse(job, 400, "who serves, and the helper's word, are needed");
    else if (has_word(job))
        print_map(job, server, temperature, word);
    explicit_bzero(word, sizeof word);
    json_decref(asked);
}

static void reveal(struct job *job, char *noted, const char *input)
{
    char *arguments[] = { (char *)"poise-taste",
                          (char *)"reveal",
                          job->word[0],
                          (char *)"--store",
                          job->board->store,
                          *noted ? (char *)"--noted" : NULL,
                          noted,
                          NULL };

    job->type = "text/plain; charset=utf-8";
    run_program(job, arguments, input);
}

void sheet_fill_reveal(struct job *job)
{
    json_t *asked = json_loads(job->body, JSON_REJECT_DUPLICATES, NULL);
    char noted[WORD_MOST], word[WORD_MOST], input[WORD_MOST + 3];
    struct tasting_record record;
    struct store *store;
    int left;

    if (!one_line(asked, "noted", noted) || !one_line(asked, "word", word)) {
        refuse(job, 400, "a hash and a word are one line each");
    } else if (open_record(job, STORE_READ, &store, &record)) {
        left = tasting_sheet_left(&record, -1);
        close_record(store, &record);
        snprintf(input, sizeof input, "%s%s\n", *noted ? "" : "\n", word);
        if (left > 0)
            refuse(job, 409, "not everybody has answered yet: the key stays closed");
        else
            reveal(job, noted, input);
        explicit_bzero(input, sizeof input);
    }
    explicit_bzero(word, sizeof word);
    json_decref(asked);
}

void sheet_fill_results(struct job *job)
{
    struct tasting_record record;
    struct store *store;
    char none[1] = "";
    bool opened;

    if (!open_record(job, STORE_READ, &store, &record))
        return;
    opened = record.opened_us != 0;
    close_record(store, &record);
    if (opened)
        reveal(job, none, NULL);
    else
        refuse(job, 403, "the key is closed");
}
