/* What the journal's thread answers to `since`. */
#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "journal_parts.h"

struct answer {
    struct journal *journal;
    char *text;
    size_t length, size, most;
    uint64_t last_seq;
    bool full;
    int error;
};

static int answer_add(struct answer *answer, const char *text, size_t length)
{
    if (answer->length + length + 1 > answer->size) {
        size_t size = answer->size ? answer->size * 2 : 65536;
        char *larger;

        while (size < answer->length + length + 1)
            size *= 2;
        if (!(larger = realloc(answer->text, size)))
            return answer->error = -ENOMEM;
        answer->text = larger;
        answer->size = size;
    }
    assert(answer->text); /* it has room for this */
    if (answer->length)
        answer->text[answer->length++] = ',';
    memcpy(answer->text + answer->length, text, length);
    answer->length += length;
    return 0;
}

/* Adds what of a row came after the answer's last seq: the whole row where it can, else its entries
 * one by one.  Non-zero when the answer is as long as it may be. */
static int answer_text(struct answer *answer, const char *text, size_t length, uint64_t last_seq)
{
    struct journal_entry entry;
    size_t at = 0;

    if (last_seq <= answer->last_seq)
        return 0;
    while (at < length && journal_entry_read(text + at, length - at, &entry) == 0) {
        if (entry.seq > answer->last_seq) {
            size_t rest = length - at;

            if (answer->length + rest <= answer->most) {
                if (answer_add(answer, text + at, rest) != 0)
                    return 1;
                answer->last_seq = last_seq;
                return 0;
            }
            /* at least one message, however long, or the asker would never get on */
            if (answer->length && answer->length + entry.length > answer->most) {
                answer->full = true;
                return 1;
            }
            if (answer_add(answer, text + at, entry.length) != 0)
                return 1;
            answer->last_seq = entry.seq;
        }
        at += entry.length + 1;
    }
    return 0;
}

static int answer_row(void *context, const struct journal_row *row)
{
    return answer_text(context, row->text, row->length, row->last_seq);
}

/* What is damaged is reported once, and what is behind it goes on. */
static void pass_over(void *context, const struct journal_damage *damage)
{
    struct answer *answer = context;
    struct journal *journal = answer->journal;
    struct journal_news news = { .kind = JOURNAL_TROUBLE };
    bool known = false;

    pthread_mutex_lock(&journal->lock);
    journal_retain_gone(journal, damage->last_seq ? damage->last_seq : journal->newest_seq);
    for (int i = 0; i < DAMAGED_MOST; i++)
        known = known || journal->damaged[i] == damage->first_seq;
    if (!known) {
        journal->damaged[journal->damaged_count++ % DAMAGED_MOST] = damage->first_seq;
        if (damage->last_seq)
            why_set(
                &news.why, 0,
                "journal %s: damaged on its disk: messages %llu to %llu are lost (see `poise-ctl rescue`); the rest "
                "is kept",
                journal->path, (unsigned long long)damage->first_seq, (unsigned long long)damage->last_seq);
        else
            why_set(&news.why, 0,
                    "journal %s: damaged on its disk: messages from %llu on are lost (see `poise-ctl rescue`)",
                    journal->path, (unsigned long long)damage->first_seq);
        journal_report_locked(journal, &news);
    }
    pthread_mutex_unlock(&journal->lock);
}

void journal_answer(struct journal *journal, struct question *question)
{
    struct answer answer = { .journal = journal, .most = question->most, .last_seq = question->after_seq };
    struct journal_news news = { .kind = JOURNAL_ANSWER, .question = question->context };

    if (journal->file)
        answer.error = journal_file_rows(journal->file, question->after_seq, answer_row, pass_over, &answer, &news.why);
    if (answer.error == -EUCLEAN) { /* what was read before the damage is still reported */
        journal_renew_damaged(journal, &news.why);
        answer.error = 0;
    }
    pthread_mutex_lock(&journal->lock);
    /* what a full disk keeps in memory belongs to the answer too */
    for (struct journal_batch *batch = journal->first; batch && !answer.full && !answer.error; batch = batch->next)
        if (batch->length && answer_text(&answer, batch->text, batch->length, batch->last_seq))
            break;
    if (!answer.error && !answer.text && !(answer.text = calloc(1, 1)))
        answer.error = -ENOMEM;
    if (answer.error) {
        if (answer.error == -ENOMEM)
            why_set(&news.why, -ENOMEM, "journal %s: out of memory", journal->path);
        free(answer.text);
        answer.text = NULL;
    }
    news.text = answer.text;
    news.length = answer.length;
    /* a whole answer covers also what had to be dropped */
    news.next_seq = !answer.full && journal->newest_seq > answer.last_seq ? journal->newest_seq : answer.last_seq;
    news.gone_seq = journal->gone_seq;
    journal_report_locked(journal, &news);
    pthread_mutex_unlock(&journal->lock);
    free(question);
}
