/* From the store to the verdicts of the questions that were asked; see tasting_verdict.h. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/tasting_record.h"
#include "poise/tasting_verdict.h"

/* All sessions of one question, in the order in which they were opened. */
struct question {
    struct tasting_session session; /* of the first */
    struct tasting_score score;
    int sessions;
    bool early, alone, served_by_taster, not_compared, uneven, gone;
    char trouble[320]; /* what was tampered with */
};

struct gathering {
    struct store *store;
    const char *experiment;
    struct question *question;
    int count, error;
    struct why *why;
};

static bool same_samples(const struct tasting_session *a, const struct tasting_session *b)
{
    bool same =
        a->method == b->method && a->sample_count == b->sample_count && strcmp(a->experiment, b->experiment) == 0;

    for (int i = 0; same && i < a->sample_count; i++)
        same = strcmp(a->sample[i].label, b->sample[i].label) == 0;
    return same;
}

static bool same_question(const struct tasting_session *a, const struct tasting_session *b)
{
    return same_samples(a, b) && strcmp(a->question, b->question) == 0 && a->planned == b->planned
           && a->expected == b->expected && a->alpha == b->alpha && a->limit == b->limit && a->beta == b->beta;
}

static struct question *add_question(struct gathering *gathering, const struct tasting_session *session)
{
    struct question *more = realloc(gathering->question, (size_t)(gathering->count + 1) * sizeof *gathering->question);

    if (!more)
        return NULL;
    gathering->question = more;
    more = &more[gathering->count++];
    memset(more, 0, sizeof *more);
    more->session = *session;
    tasting_score_begin(&more->score, session->method, session->sample_count);
    return more;
}

static struct question *find_question(struct gathering *gathering, const struct tasting_session *session)
{
    for (int i = 0; i < gathering->count; i++)
        if (!*gathering->question[i].trouble && same_question(&gathering->question[i].session, session))
            return &gathering->question[i];
    return add_question(gathering, session);
}

static bool is_uneven(const char *text)
{
    double least = INFINITY, most = -INFINITY;
    char *end;

    for (double value; (value = strtod(text, &end)), end != text; text = end) {
        least = fmin(least, value);
        most = fmax(most, value);
    }
    return most - least > TASTING_UNEVEN_C;
}

static int count_answer(struct question *question, const struct tasting_record *record,
                        const struct store_tasting_entry *entry)
{
    const struct tasting_session *session = &record->session;
    const struct tasting_set *set = &session->set[entry->set - 1];
    int place[TASTING_CUPS];
    struct why why;

    if (tasting_record_saw(record, entry->who, entry->set)) {
        question->served_by_taster = true;
        question->score.left_out++;
        return 0;
    }
    if (tasting_answer_read(session->method, set, entry->answer, place, &why) < 0)
        return -EBADF;
    return tasting_score_add(&question->score, set, place, entry->sure == 1, entry->who);
}

static int count_session(struct question *question, const struct tasting_record *record, struct why *why)
{
    int error = 0;

    for (int i = 0; i < record->entries && !error; i++) {
        const struct store_tasting_entry *entry = &record->entry[i];

        if (strcmp(entry->kind, KIND_ANSWER) == 0)
            error = count_answer(question, record, entry);
        else if (strcmp(entry->kind, KIND_LOOK) == 0)
            tasting_score_looked(&question->score);
        else if (strcmp(entry->kind, KIND_TEMPERATURE) == 0)
            question->uneven |= is_uneven(entry->text);
    }
    question->sessions++;
    question->early |= record->early;
    question->alone |= record->session.alone;
    question->session.seen |= record->session.seen;
    question->not_compared |= !record->noted;
    question->score.reached |= record->stopped;
    /* a key that is open before the question's end has been looked at */
    if (question->score.answered + question->score.left_out < question->session.planned)
        tasting_score_looked(&question->score);
    return error ? why_set(why, error, "%s: more tasters or answers than one question may have", record->row.name) : 0;
}

/* What a record that fails its checks says of its experiment; believed for no more than where to show it. */
static void add_trouble(struct gathering *gathering, const char *name, const char *sentence)
{
    struct tasting_session *session = calloc(1, sizeof *session);
    struct store_tasting_row row;
    struct question *question;
    struct why why;

    if (!session)
        return;
    if (store_tasting_read(gathering->store, name, &row, &why) == 0) {
        tasting_text_read(row.text, session, &why);
        store_tasting_row_free(&row);
    }
    snprintf(session->name, sizeof session->name, "%s", name);
    if (!*session->question)
        snprintf(session->question, sizeof session->question, "%s", name);
    if (!gathering->experiment || !*session->experiment || strcmp(gathering->experiment, session->experiment) == 0) {
        question = add_question(gathering, session);
        if (question)
            snprintf(question->trouble, sizeof question->trouble, "%s", sentence);
    }
    free(session);
}

static int gather(const char *name, bool lost, void *context)
{
    struct gathering *gathering = context;
    struct tasting_record record;
    struct question *question;
    struct why why;

    if (lost) {
        snprintf(why.text, sizeof why.text, "%s: its row is missing: somebody removed it", name);
        add_trouble(gathering, name, why.text);
        return 0;
    }
    if (tasting_record_load(gathering->store, name, &record, &why) != 0) {
        add_trouble(gathering, name, why.text);
        return 0;
    }
    if (record.opened_us && (!gathering->experiment || strcmp(record.session.experiment, gathering->experiment) == 0)) {
        question = find_question(gathering, &record.session);
        gathering->error = question ? count_session(question, &record, gathering->why)
                                    : why_set(gathering->why, -ENOMEM, "not enough memory");
    }
    tasting_record_free(&record);
    return gathering->error;
}

/* How often these samples were compared by this method: each question gets its part of alpha (Bonferroni). */
static int times_asked(const struct gathering *gathering, int which)
{
    int asked = 0;

    for (int i = 0; i < gathering->count; i++)
        asked += !*gathering->question[i].trouble
                 && same_samples(&gathering->question[i].session, &gathering->question[which].session);
    return asked > 1 ? asked : 1;
}

static void judge(const struct gathering *gathering, int which, struct tasting_verdict *out)
{
    struct question *question = &gathering->question[which];
    int asked = times_asked(gathering, which);

    question->session.alpha /= asked;
    tasting_judge(&question->session, &question->score, out);
    out->sessions = question->sessions;
    out->asked = asked;
    out->alone = question->alone;
    out->served_by_taster = question->served_by_taster;
    out->not_compared = question->not_compared && !question->alone;
    out->uneven_temperature = question->uneven;
    if (question->early || *question->trouble) {
        out->finding = TASTING_UNJUDGED;
        out->unjudged = *question->trouble ? "it was tampered with" : "its key was opened before its planned end";
        out->p = NAN;
    }
    if (!out->unjudged)
        tasting_measure(&question->session, &question->score, out);
    tasting_state_verdict(&question->session, out);
    if (*question->trouble)
        snprintf(out->sentence, sizeof out->sentence, "Not judged: %s.", question->trouble);
    question->session.alpha *= asked;
}

int tasting_look(const struct tasting_record *record, unsigned *answered, unsigned *bound, bool *reached,
                 struct why *why)
{
    const struct tasting_session *session = &record->session;
    struct question *question = calloc(1, sizeof *question);
    double spent;
    int error = 0;

    if (!question)
        return why_set(why, -ENOMEM, "not enough memory");
    if (!session->may_look || !tasting_method_has_right(session->method)
        || tasting_counted(session) < (int)session->planned)
        error = why_set(why, -EPERM,
                        "%s: looks before the end were not planned (new --may-look, for one session with right "
                        "answers): it would have to be opened early, and would show nothing",
                        session->name);
    if (!error) {
        question->session = *session;
        tasting_score_begin(&question->score, session->method, session->sample_count);
        error = count_session(question, record, why);
    }
    if (!error && question->score.looks == SCORE_LOOKS)
        error = why_set(why, -EPERM, "%s: no more than %d looks at one question", session->name, SCORE_LOOKS - 1);
    if (!error) {
        unsigned bounds[SCORE_LOOKS];

        *answered = question->score.answered;
        spent = tasting_look_bounds(session->method, session->alpha, question->score.look, question->score.looks,
                                    session->planned, bounds);
        *bound = isnan(spent) || question->score.looks == 0 ? 0 : bounds[question->score.looks - 1];
        *reached = *bound > 0 && question->score.hits >= *bound;
    }
    free(question);
    return error;
}

int tasting_verdicts(struct store *store, const char *experiment, struct tasting_verdict *out, int most,
                     struct why *why)
{
    struct gathering gathering = { .store = store, .experiment = experiment, .why = why };
    int error = store_tasting_names(store, gather, &gathering, why);

    for (int i = 0; i < gathering.count && i < most && !error; i++)
        judge(&gathering, i, &out[i]);
    free(gathering.question);
    if (error)
        return gathering.error ? gathering.error : error;
    return gathering.count < most ? gathering.count : most;
}
