/* The journal's thread: commits in groups, survives a disk that takes nothing, prunes. */
#include <errno.h>
#include <stdlib.h>

#include "journal_parts.h"
#include "poise/clock.h"

enum {
    COMMIT_MS = 3000,         /* readings wait no longer: what a power cut may cost, and two seconds that the disk may
                               * take.  Each commit is a wake-up and a sync: at one scale with 10 readings a second, one
                               * a second cost a sixth of all CPU */
    RETRY_MS = 1000,          /* a full disk is tried again that often */
    SAY_AGAIN_MS = 600 * 1000 /* and is complained of that often */
};

static int commit(struct journal *journal, const struct journal_batch *batches, const struct journal_keep *keeps,
                  bool durable, struct why *why)
{
    int error = -EUCLEAN;

    enum journal_place place = journal->file ? journal_file_place(journal->file) : JOURNAL_IN_PLACE;

    if (place != JOURNAL_IN_PLACE) {
        struct journal_file *old = journal->file;

        journal_renew_lost(journal, place, why);
        if (!journal->file || (place == JOURNAL_ELSEWHERE && journal->file == old))
            return -EIO;
    }
    if (journal->file)
        error = journal_file_commit(journal->file, batches, keeps, durable, why);
    if (error != -EUCLEAN)
        return error;
    journal_renew_damaged(journal, why);
    return journal->file ? journal_file_commit(journal->file, batches, keeps, durable, why) : -EIO;
}

static void state_trouble_locked(struct journal *journal, int error, const struct why *why)
{
    struct journal_news news = { .kind = JOURNAL_TROUBLE };

    if (error) {
        if (journal->failing && clock_steady_ms() - journal->reported_ms < SAY_AGAIN_MS)
            return;
        journal->reported_ms = clock_steady_ms();
        news.why = *why;
        if (journal->dropped_unsaid)
            why_set(&news.why, 0, "%s; the oldest %llu readings had to be dropped", why->text,
                    (unsigned long long)journal->dropped_unsaid);
    } else if (journal->dropped_unsaid) {
        why_set(&news.why, 0, "journal %s: writes again; %llu readings had to be dropped meanwhile", journal->path,
                (unsigned long long)journal->dropped_unsaid);
    } else {
        why_set(&news.why, 0, "journal %s: writes again, nothing was lost", journal->path);
    }
    journal->dropped_unsaid = 0;
    journal_report_locked(journal, &news);
}

static void put_back_locked(struct journal *journal, struct journal_batch *batches, struct journal_keep *keeps)
{
    struct journal_batch *end = batches;

    for (struct journal_batch *batch = batches; batch; end = batch, batch = batch->next)
        journal->queued += batch->length;
    if (batches) {
        if (!(end->next = journal->first))
            journal->last = end;
        journal->first = batches;
    }
    while (keeps) {
        struct journal_keep *next = keeps->next;

        journal_keep_add(journal, keeps, false);
        keeps = next;
    }
}

/* So much may not stay unsynced for longer: what was committed in between because it was much, too. */
static bool is_due_on_disk(const struct journal *journal, int64_t now_ms)
{
    return now_ms - journal->synced_ms >= COMMIT_MS
           || (journal->unsynced_ms && now_ms - journal->unsynced_ms >= COMMIT_MS);
}

static void commit_waiting_locked(struct journal *journal)
{
    struct journal_batch *batches = journal->first;
    struct journal_keep *keeps = journal->keeps;
    uint64_t ticket = journal->wanted;
    bool durable = is_due_on_disk(journal, clock_steady_ms());
    int64_t oldest_ms = journal->unsynced_ms ? journal->unsynced_ms : journal->queued_ms;
    uint64_t newest_seq = journal->newest_seq;
    struct why why;
    int error;

    for (const struct journal_batch *batch = batches; batch; batch = batch->next)
        durable = durable || batch->event;
    tail_turn(&journal->tail);
    journal->first = journal->last = NULL;
    journal->keeps = NULL;
    journal->queued = 0;
    journal->urgent = false;
    pthread_mutex_unlock(&journal->lock);
    error = commit(journal, batches, keeps, durable, &why);
    if (!error)
        tail_empty(&journal->tail, false);
    if (!error && durable)
        tail_note(&journal->tail, newest_seq);
    pthread_mutex_lock(&journal->lock);
    if (error) {
        put_back_locked(journal, batches, keeps);
        state_trouble_locked(journal, error, &why);
        journal->try_ms = clock_steady_ms() + RETRY_MS;
    } else {
        journal_recycle_locked(journal, batches, keeps);
        journal->untailed = false;
        if (journal->failing)
            state_trouble_locked(journal, 0, NULL);
        journal->reached = ticket;
        journal->commit_ms = clock_steady_ms();
        if (durable)
            journal->synced_ms = journal->commit_ms;
        journal->unsynced_ms = durable ? 0 : oldest_ms;
    }
    journal->failing = error != 0;
    pthread_cond_broadcast(&journal->done);
}

static void report_saved_locked(struct journal *journal)
{
    if (!journal->saved_wanted || (!journal->failing && journal->reached < journal->wanted))
        return;
    journal->saved_wanted = false;
    journal->wake(journal->wake_context);
}

static void answer_all_locked(struct journal *journal)
{
    while (journal->questions) {
        struct question *question = journal->questions;

        if (!(journal->questions = question->next))
            journal->question_end = &journal->questions;
        pthread_mutex_unlock(&journal->lock);
        journal_answer(journal, question);
        pthread_mutex_lock(&journal->lock);
    }
}

/* When the thread has to commit: 0 now, -1 never, else that time. */
static int64_t due_locked(const struct journal *journal)
{
    /* What came soon after a commit goes with the next: while readings flow, one wake-up serves all since. */
    bool soon = journal->queued_ms - journal->commit_ms < COMMIT_MS;
    int64_t at_ms = (soon ? journal->commit_ms : journal->queued_ms) + COMMIT_MS;

    if (journal->unsynced_ms && journal->unsynced_ms + COMMIT_MS < at_ms)
        at_ms = journal->unsynced_ms + COMMIT_MS;
    if (!journal->unsynced_ms && !journal->keeps
        && (!journal->first || (!journal->first->length && !journal->first->next)))
        return -1;
    if (journal->failing)
        at_ms = journal->try_ms;
    else if (journal->urgent)
        return 0;
    return at_ms <= clock_steady_ms() ? 0 : at_ms;
}

void *journal_thread(void *context)
{
    struct journal *journal = context;

    pthread_setname_np(pthread_self(), "journal");
    pthread_mutex_lock(&journal->lock);
    for (;;) {
        int64_t due_ms = due_locked(journal);

        if (due_ms == 0) {
            commit_waiting_locked(journal);
            journal_retain_locked(journal);
        }
        if (journal->reached < journal->wanted && due_ms == -1)
            journal->reached = journal->wanted;
        report_saved_locked(journal);
        answer_all_locked(journal);
        if (journal->stop) {
            if (due_locked(journal) != -1)
                commit_waiting_locked(journal);
            break;
        }
        due_ms = due_locked(journal);
        if (due_ms == 0)
            continue;
        /* After a commit the readings of the next seconds are waited for: to be woken by the first of them costs the
         * main thread, at the very moment when the reading is on its way to the clients. */
        if (due_ms == -1 && journal->commit_ms + COMMIT_MS > clock_steady_ms())
            due_ms = journal->commit_ms + COMMIT_MS;
        journal->resting = due_ms == -1;
        if (due_ms == -1)
            pthread_cond_wait(&journal->work, &journal->lock);
        else
            journal_wait(&journal->work, &journal->lock, due_ms);
        journal->resting = false;
    }
    pthread_mutex_unlock(&journal->lock);
    return NULL;
}
