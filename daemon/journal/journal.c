/* The journal's queue as the main thread sees it; see journal.h.  Not for SQL: journal_file.c; nor for
 * the thread's work: journal_thread.c. */
#include "journal.h"

#include <assert.h>
#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "journal_parts.h"
#include "poise/clock.h"

enum {
    QUEUE_BYTES = 64 << 20, /* kept while the disk is in trouble: an hour of 80 readings a second */
    ENTRY_EXTRA = 16,       /* brackets, quotes, commas around topic and message */
    FIRST_BATCH_BYTES = 16384
};

void journal_wait(pthread_cond_t *condition, pthread_mutex_t *lock, int64_t at_ms)
{
    struct timespec at = { .tv_sec = at_ms / 1000, .tv_nsec = at_ms % 1000 * 1000000 };

    pthread_cond_timedwait(condition, lock, &at);
}

static void batch_free(struct journal_batch *batch)
{
    if (batch)
        free(batch->text);
    free(batch);
}

/* ---- what the main thread adds ---- */

static struct journal_batch *batch_open(struct journal *journal)
{
    struct journal_batch *batch = journal->spare;

    if (batch)
        journal->spare = batch->next;
    else if (!(batch = calloc(1, sizeof *batch)))
        return NULL;
    batch->length = 0;
    batch->event = batch->precious = false;
    batch->next = NULL;
    if (journal->last)
        journal->last->next = batch;
    else
        journal->first = batch;
    journal->last = batch;
    return batch;
}

/* Keeps the events of the oldest batch that has readings; false: none has. */
static bool drop_readings(struct journal *journal)
{
    for (struct journal_batch *batch = journal->first; batch; batch = batch->next) {
        size_t kept = 0;
        size_t at = 0;
        uint64_t dropped = 0;
        struct journal_entry entry;

        while (at < batch->length && journal_entry_read(batch->text + at, batch->length - at, &entry) == 0) {
            if (entry.event) {
                if (kept)
                    batch->text[kept++] = ',';
                memmove(batch->text + kept, batch->text + at, entry.length);
                kept += entry.length;
            } else {
                dropped++;
            }
            at += entry.length + 1;
        }
        if (dropped == 0)
            continue;
        journal->queued -= batch->length - kept;
        batch->length = kept;
        journal->lost += dropped;
        journal->dropped_unsaid += dropped;
        journal_retain_gone(journal, journal->newest_seq);
        return true;
    }
    return false;
}

static struct journal_batch *batch_for(struct journal *journal, size_t more)
{
    struct journal_batch *batch = journal->last;

    while (journal->queued + more > QUEUE_BYTES && drop_readings(journal))
        ;
    if (!batch || (batch->length > 0 && batch->length + more > BATCH_BYTES))
        batch = batch_open(journal);
    if (batch && batch->length + more > batch->size) {
        size_t size = batch->size ? batch->size * 2 : FIRST_BATCH_BYTES;
        char *text;

        while (size < batch->length + more)
            size *= 2;
        if (!(text = realloc(batch->text, size)))
            return NULL;
        batch->text = text;
        batch->size = size;
    }
    return batch;
}

/* Where the tail takes nothing, a reading is committed as soon as can be.  A disk that is in trouble is reported by its
 * commits; where only the tail is, this is reported once. */
static void to_the_tail(struct journal *journal, const char *entry, size_t length)
{
    struct journal_news news = { .kind = JOURNAL_TROUBLE };
    int error = journal->untailed ? 0 : tail_add(&journal->tail, entry, length);

    if (!error || error == -EAGAIN)
        return;
    journal->untailed = true;
    if (journal->failing || journal->untailed_reported)
        return;
    journal->untailed_reported = true;
    why_set(
        &news.why, error,
        "journal %s: its tail cannot be written: %s; readings are committed one by one meanwhile; check the disk and "
        "the files .tail-1 and .tail-2 beside it",
        journal->path, strerror(-error));
    journal_report_locked(journal, &news);
}

static void add(struct journal *journal, const char *topic, size_t topic_length, const char *json, size_t json_length,
                uint64_t seq, int64_t time_us, bool event, bool precious, bool to_tail)
{
    struct journal_batch *batch = batch_for(journal, topic_length + json_length + ENTRY_EXTRA);
    size_t before, began;
    char *at;

    journal->newest_seq = seq;
    if (!batch) {
        journal->lost++;
        journal->dropped_unsaid++;
        journal_retain_gone(journal, seq);
        return;
    }
    assert(batch->text); /* batch_with_room gave it */
    before = batch->length;
    at = batch->text + before;
    if (before == 0) {
        batch->first_seq = seq;
        batch->first_us = time_us;
    } else {
        *at++ = ',';
    }
    began = (size_t)(at - batch->text);
    *at++ = '[';
    *at++ = '"';
    at = (char *)mempcpy(at, topic, topic_length);
    *at++ = '"';
    *at++ = ',';
    at = (char *)mempcpy(at, json, json_length);
    *at++ = ']';
    batch->length = (size_t)(at - batch->text);
    batch->last_seq = seq;
    batch->event = batch->event || event;
    batch->precious = batch->precious || precious;
    if (to_tail)
        to_the_tail(journal, batch->text + began, batch->length - began);
    if (journal->queued == 0)
        journal->queued_ms = clock_steady_ms();
    journal->queued += batch->length - before;
    journal->newest_us = time_us;
}

void journal_limit(struct journal *journal, const struct journal_limits *limits)
{
    pthread_mutex_lock(&journal->lock);
    journal->limits = *limits;
    journal->pruned_us = journal->measured_ms = 0; /* what may go now goes with the next commit */
    pthread_mutex_unlock(&journal->lock);
}

void journal_reading(struct journal *journal, const char *topic, size_t topic_length, const char *json,
                     size_t json_length, uint64_t seq, int64_t time_us, bool precious)
{
    pthread_mutex_lock(&journal->lock);
    add(journal, topic, topic_length, json, json_length, seq, time_us, false, precious, true);
    journal_release_later(journal);
}

void journal_hold(struct journal *journal)
{
    pthread_mutex_lock(&journal->lock);
}

void journal_event(struct journal *journal, const char *topic, size_t topic_length, const char *json,
                   size_t json_length, uint64_t seq, int64_t time_us)
{
    bool event = topic_length > 6 && memcmp(topic, "event/", 6) == 0;

    add(journal, topic, topic_length, json, json_length, seq, time_us, event, true, false);
}

void journal_keep_add(struct journal *journal, struct journal_keep *keep, bool newer)
{
    struct journal_keep **at = &journal->keeps;

    while (*at && strcmp((*at)->key, keep->key) != 0)
        at = &(*at)->next;
    if (*at && !newer) {
        free(keep->data);
        free(keep);
        return;
    }
    keep->next = *at ? (*at)->next : NULL;
    if (*at) {
        free((*at)->data);
        free(*at);
    }
    *at = keep;
}

void journal_keep(struct journal *journal, const char *key, const void *data, size_t length)
{
    struct journal_keep *keep = calloc(1, sizeof *keep);

    if (!keep)
        return; /* what was kept before stays; the next turn tries again */
    snprintf(keep->key, sizeof keep->key, "%s", key);
    if (data) {
        if (!(keep->data = malloc(length ? length : 1))) {
            free(keep);
            return;
        }
        memcpy(keep->data, data, length);
        keep->length = length;
    }
    journal_keep_add(journal, keep, true);
}

bool journal_release(struct journal *journal, int wait_ms)
{
    int64_t deadline = clock_steady_ms() + wait_ms;
    uint64_t ticket = ++journal->wanted;
    bool reached;

    journal->urgent = true;
    journal->resting = false;
    pthread_cond_signal(&journal->work);
    while (wait_ms > 0 && journal->reached < ticket && !journal->failing && clock_steady_ms() < deadline)
        journal_wait(&journal->done, &journal->lock, deadline);
    reached = journal->reached >= ticket;
    pthread_mutex_unlock(&journal->lock);
    return reached;
}

bool journal_saved(struct journal *journal)
{
    bool saved;

    pthread_mutex_lock(&journal->lock);
    saved = journal->failing || journal->reached >= journal->wanted;
    journal->saved_wanted = !saved;
    pthread_mutex_unlock(&journal->lock);
    return saved;
}

void journal_release_later(struct journal *journal)
{
    bool wake = journal->resting;

    if ((journal->queued >= FLUSH_BYTES || journal->untailed) && !journal->urgent && !journal->failing)
        wake = journal->urgent = true;
    if (wake)
        journal->resting = false;
    pthread_mutex_unlock(&journal->lock);
    /* A thread that has a deadline wakes soon enough by itself; one that is woken finds the lock free. */
    if (wake)
        pthread_cond_signal(&journal->work);
}

int journal_ask(struct journal *journal, uint64_t after_seq, size_t most, void *context)
{
    struct question *question = calloc(1, sizeof *question);

    if (!question)
        return -ENOMEM;
    *question = (struct question){ .after_seq = after_seq, .most = most, .context = context };
    pthread_mutex_lock(&journal->lock);
    *journal->question_end = question;
    journal->question_end = &question->next;
    journal->resting = false;
    pthread_cond_signal(&journal->work);
    pthread_mutex_unlock(&journal->lock);
    return 0;
}

void journal_report_locked(struct journal *journal, const struct journal_news *what)
{
    struct news *news = malloc(sizeof *news);

    if (!news) {
        free(what->text);
        return;
    }
    news->news = *what;
    news->next = NULL;
    *journal->news_end = news;
    journal->news_end = &news->next;
    journal->wake(journal->wake_context);
}

struct journal_news journal_news(struct journal *journal)
{
    struct journal_news out = { 0 };
    struct news *news;

    pthread_mutex_lock(&journal->lock);
    if ((news = journal->news)) {
        out = news->news;
        if (!(journal->news = news->next))
            journal->news_end = &journal->news;
        free(news);
    }
    pthread_mutex_unlock(&journal->lock);
    return out;
}

void journal_recycle_locked(struct journal *journal, struct journal_batch *batches, struct journal_keep *keeps)
{
    while (batches) {
        struct journal_batch *next = batches->next;

        if (batches->size <= BATCH_BYTES && (!journal->spare || !journal->spare->next)) {
            batches->next = journal->spare;
            journal->spare = batches;
        } else {
            batch_free(batches);
        }
        batches = next;
    }
    while (keeps) {
        struct journal_keep *next = keeps->next;

        free(keeps->data);
        free(keeps);
        keeps = next;
    }
}

/* ---- opening and closing ---- */

static const char reader_key[] = "reader/";

static bool is_readers(const char *key)
{
    return strncmp(key, reader_key, sizeof reader_key - 1) == 0;
}

static bool is_own(const char *key)
{
    return is_readers(key) || strcmp(key, JOURNAL_GONE_KEY) == 0;
}

static void take_own(void *context, const char *key, const void *data, size_t length)
{
    struct journal *journal = context;

    if (data && strcmp(key, JOURNAL_GONE_KEY) == 0 && length == sizeof journal->gone_seq) {
        memcpy(&journal->gone_seq, data, length);
        journal->gone_kept = journal->gone_seq;
    }
    if (data && is_readers(key) && strlen(key) < sizeof reader_key + NAME_SIZE - 1)
        journal_retain_reader(context, key + sizeof reader_key - 1, data, length);
}

struct taking {
    struct journal *journal;
    uint64_t last_seq; /* in the file */
};

/* A reading that a kill left in the tail, if the file does not have it. */
static void take_entry(void *context, const char *text, size_t length)
{
    struct taking *taking = context;
    struct journal_entry entry;

    if (journal_entry_read(text, length, &entry) == 0 && entry.length == length && entry.seq > taking->last_seq
        && entry.seq > taking->journal->newest_seq)
        add(taking->journal, entry.topic, entry.topic_length, entry.json, entry.json_length, entry.seq, entry.time_us,
            false, true, false);
}

/* What can be committed is; where the disk takes nothing it waits in memory as everything else does. */
static int take_tail(struct journal *journal, struct why *notice, struct why *why)
{
    struct taking taking = { .journal = journal };
    int error = journal_file_last(journal->file, &taking.last_seq, why);

    if (error)
        return error;
    if (journal->gone_kept == NOT_KEPT || notice->text[0]) /* nobody counted, or a damaged file was set aside */
        journal_retain_gone(journal, taking.last_seq);
    tail_open(&journal->tail, journal->path, take_entry, &taking);
    if (journal->tail.noted_seq > taking.last_seq && journal->tail.noted_seq > journal->newest_seq)
        journal_retain_gone(journal, journal->tail.noted_seq);
    if (!notice->text[0] && journal->tail.noted_seq > taking.last_seq && journal->tail.noted_seq > journal->newest_seq)
        why_set(notice, 0,
                "journal %s: messages %llu to %llu are missing, which were on the disk: the file was damaged, or an "
                "older one was put in its place (see `poise-ctl rescue`)",
                journal->path, (unsigned long long)taking.last_seq + 1, (unsigned long long)journal->tail.noted_seq);
    if (journal->first && journal_file_commit(journal->file, journal->first, NULL, true, why) != 0)
        return 0;
    journal_recycle_locked(journal, journal->first, NULL);
    journal->first = journal->last = NULL;
    journal->queued = 0;
    tail_empty(&journal->tail, true);
    return 0;
}

int journal_open(struct journal **out, const char *path, const struct journal_limits *limits,
                 void (*wake)(void *context), void *context, struct why *notice, struct why *why)
{
    struct journal *journal = calloc(1, sizeof *journal);
    pthread_condattr_t attributes;
    int error;

    if (!journal)
        return why_set(why, -ENOMEM, "journal %s: out of memory", path);
    snprintf(journal->path, sizeof journal->path, "%s", path);
    if ((error = journal_renew_open(journal, notice, why)) != 0) {
        free(journal);
        return error;
    }
    journal->limits = *limits;
    journal->wake = wake;
    journal->wake_context = context;
    journal->question_end = &journal->questions;
    journal->news_end = &journal->news;
    journal->commit_ms = journal->synced_ms = INT64_MIN / 2;
    journal->tail.file[0] = journal->tail.file[1] = -1;
    journal->gone_kept = NOT_KEPT;
    pthread_mutex_init(&journal->lock, NULL);
    pthread_condattr_init(&attributes);
    pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC);
    pthread_cond_init(&journal->work, &attributes);
    pthread_cond_init(&journal->done, &attributes);
    pthread_condattr_destroy(&attributes);
    if ((error = journal_file_kept(journal->file, take_own, journal, why)) == -EUCLEAN
        && (error = journal_renew_set_aside(journal, why)) == 0
        && (error = journal_renew_open(journal, notice, why)) == 0)
        error = journal_file_kept(journal->file, take_own, journal, why);
    if (error || (error = take_tail(journal, notice, why)) != 0) {
        journal_close(journal);
        return error;
    }
    *out = journal;
    return 0;
}

int journal_last(struct journal *journal, uint64_t *last_seq, struct why *why)
{
    int error = journal_file_last(journal->file, last_seq, why);

    if (!error && journal->newest_seq > *last_seq)
        *last_seq = journal->newest_seq;
    if (!error && journal->tail.noted_seq > *last_seq)
        *last_seq = journal->tail.noted_seq; /* no number is given twice, also of what is missing */
    return error;
}

struct giving {
    void (*each)(void *context, const char *key, const void *data, size_t length);
    void *context;
};

/* Readers, and what is gone, are the journal's own; what is damaged is as if it had never been kept. */
static void give_kept(void *context, const char *key, const void *data, size_t length)
{
    const struct giving *giving = context;

    if (data && !is_own(key))
        giving->each(giving->context, key, data, length);
}

int journal_kept(struct journal *journal, void (*each)(void *context, const char *key, const void *data, size_t length),
                 void *context, struct why *why)
{
    struct giving giving = { each, context };

    return journal_file_kept(journal->file, give_kept, &giving, why);
}


struct replay {
    uint64_t after_seq;
    void (*each)(void *context, const char *topic, size_t topic_length, const char *json, size_t json_length);
    void *context;
};

static void replay_text(const struct replay *replay, const char *text, size_t length)
{
    struct journal_entry entry;

    for (size_t at = 0; at < length && journal_entry_read(text + at, length - at, &entry) == 0; at += entry.length + 1)
        if (entry.seq > replay->after_seq)
            replay->each(replay->context, entry.topic, entry.topic_length, entry.json, entry.json_length);
}

static int replay_row(void *context, const struct journal_row *row)
{
    replay_text(context, row->text, row->length);
    return 0;
}

int journal_replay(struct journal *journal, uint64_t after_seq,
                   void (*each)(void *context, const char *topic, size_t topic_length, const char *json,
                                size_t json_length),
                   void *context, struct why *why)
{
    struct replay replay = { after_seq, each, context };
    int error = journal_file_rows(journal->file, after_seq, replay_row, NULL, &replay, why);

    for (struct journal_batch *batch = journal->first; batch && !error; batch = batch->next)
        replay_text(&replay, batch->text, batch->length);
    return error;
}

int journal_start(struct journal *journal, struct why *why)
{
    sigset_t all, before;
    int error;

    sigfillset(&all); /* signals are the loop's */
    pthread_sigmask(SIG_SETMASK, &all, &before);
    error = pthread_create(&journal->thread, NULL, journal_thread, journal);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (error)
        return why_set(why, -error, "journal %s: cannot start its thread: %s", journal->path, strerror(error));
    journal->started = true;
    return 0;
}

uint64_t journal_close(struct journal *journal)
{
    uint64_t lost;
    struct journal_entry entry;

    if (!journal)
        return 0;
    if (journal->started) {
        pthread_mutex_lock(&journal->lock);
        journal->stop = true;
        pthread_cond_signal(&journal->work);
        pthread_mutex_unlock(&journal->lock);
        pthread_join(journal->thread, NULL);
    }
    lost = journal->lost;
    for (struct journal_batch *batch = journal->first; batch; batch = batch->next)
        for (size_t at = 0; at < batch->length && journal_entry_read(batch->text + at, batch->length - at, &entry) == 0;
             at += entry.length + 1)
            lost++;
    while (journal->first) {
        struct journal_batch *next = journal->first->next;

        batch_free(journal->first);
        journal->first = next;
    }
    while (journal->spare) {
        struct journal_batch *next = journal->spare->next;

        batch_free(journal->spare);
        journal->spare = next;
    }
    if (lost == 0)
        tail_empty(&journal->tail, true);
    tail_close(&journal->tail);
    journal_recycle_locked(journal, NULL, journal->keeps);
    while (journal->questions) {
        struct question *next = journal->questions->next;

        free(journal->questions->context);
        free(journal->questions);
        journal->questions = next;
    }
    while (journal->news) {
        struct journal_news news = journal_news(journal);

        free(news.text);
        free(news.question);
    }
    journal_file_close(journal->file);
    pthread_mutex_destroy(&journal->lock);
    pthread_cond_destroy(&journal->work);
    pthread_cond_destroy(&journal->done);
    free(journal);
    return lost;
}
