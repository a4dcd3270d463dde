/* A taster's sheet; see tasting_sheet.h. */
#include "poise/tasting_sheet.h"

#include "poise/program.h"

#include <stdio.h>
#include <string.h>
#include <strings.h>

int tasting_sheet_taster(const struct tasting_session *session, const char *name)
{
    for (int i = 0; i < session->taster_count; i++)
        if (strcasecmp(session->taster[i], name) == 0)
            return i;
    return -1;
}

int tasting_sheet_number(const struct tasting_session *session, int set, int *of)
{
    int number = 0;

    *of = 0;
    for (int i = 0; i < session->sets; i++)
        if (session->of[i].taster == session->of[set].taster && !session->of[i].warm_up) {
            ++*of;
            number += i <= set;
        }
    return number;
}

int tasting_sheet_next(const struct tasting_record *record, int taster)
{
    for (int set = 0; set < record->session.sets; set++)
        if (record->session.of[set].taster == taster && !tasting_record_answer(record, set + 1))
            return set;
    return -1;
}

int tasting_sheet_left(const struct tasting_record *record, int taster)
{
    int left = 0;

    for (int set = 0; set < record->session.sets; set++)
        left += (taster == -1 || record->session.of[set].taster == taster) && !tasting_record_answer(record, set + 1);
    return left;
}

int64_t tasting_sheet_rested_s(const struct tasting_record *record, int taster, int64_t now_us)
{
    int64_t last_us = 0;

    for (int set = 0; set < record->session.sets; set++) {
        const struct store_tasting_entry *entry =
            record->session.of[set].taster == taster ? tasting_record_answer(record, set + 1) : NULL;

        if (entry && entry->time_us > last_us)
            last_us = entry->time_us;
    }
    return last_us ? (now_us - last_us) / 1000000 : -1;
}

char *tasting_sheet_question(const struct tasting_session *session, char out[TASTING_QUESTION_SIZE])
{
    static const char *const fixed[] = {
        [TASTING_TRIANGLE] = "Which one is the odd one?",
        [TASTING_TWO_OF_FIVE] = "Which two are alike, against the other three?",
        [TASTING_DUO_TRIO] = "The open cup is the reference. Which one is like it?",
        [TASTING_TETRAD] = "Two and two are alike. Which are two of a kind?",
        [TASTING_PREFERENCE] = "Which one do you prefer?",
        [TASTING_DEGREE] = "The open cup is the control. How far is each cup from it: 0 like it, 10 as far as can be?",
    };
    const char *attribute = session->attribute;

    if (session->method == TASTING_DIRECTIONAL)
        snprintf(out, TASTING_QUESTION_SIZE, "Which one is %s?", *attribute ? attribute : "stronger");
    else if (session->method == TASTING_RANKING && *attribute)
        snprintf(out, TASTING_QUESTION_SIZE, "In which order, the one that is most %s first?", attribute);
    else if (session->method == TASTING_RANKING)
        snprintf(out, TASTING_QUESTION_SIZE, "In which order, the best first?");
    else
        snprintf(out, TASTING_QUESTION_SIZE, "%s", fixed[session->method]);
    return out;
}

int tasting_sheet_seal(struct store *store, struct tasting_record *record, int set, const int *place, int count,
                       int sure, int64_t rested_s, int64_t now_us, struct why *why)
{
    const struct tasting_session *session = &record->session;
    int taster = session->of[set].taster;
    char answer[ENTRY_ANSWER_SIZE - 2] = "", rest[32];
    struct tasting_happening happening = { .kind = session->of[set].warm_up ? KIND_WARM_UP : KIND_ANSWER,
                                           .who = session->taster[taster],
                                           .set = set + 1,
                                           .answer = answer,
                                           .text = rest,
                                           .sure = sure,
                                           .time_us = now_us };

    for (int i = 0; i < count; i++) {
        size_t length = strlen(answer);

        snprintf(answer + length, sizeof answer - length, "%s%d", i ? " " : "",
                 session->method == TASTING_DEGREE ? place[i] : session->set[set].code[place[i]]);
    }
    snprintf(rest, sizeof rest, "rest %lld", (long long)rested_s);
    return tasting_record_add(store, record, &happening, why);
}

int tasting_sheet_words(struct store *store, struct tasting_record *record, int set, int cup, const char *words,
                        int64_t now_us, struct why *why)
{
    const struct tasting_session *session = &record->session;
    char code[8], text[TASTING_WORDS_MOST];
    struct tasting_happening happening = { .kind = KIND_WORDS,
                                           .who = session->taster[session->of[set].taster],
                                           .set = set + 1,
                                           .answer = code,
                                           .text = text,
                                           .sure = -1,
                                           .time_us = now_us };

    snprintf(code, sizeof code, "%d", session->set[set].code[cup]);
    snprintf(text, sizeof text, "%s", words);
    program_plain(text);
    return tasting_record_add(store, record, &happening, why);
}
