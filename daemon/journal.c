/* The journal's queue and thread; see journal.h.  Not for SQL: journal_file.c. */
#include "journal.h"

#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "journal_file.h"

enum {
    GROUP_MS = 100,                     /* readings wait no longer: what a kill may cost */
    RETRY_MS = 1000,                    /* a full disk is tried again that often */
    SAY_AGAIN_MS = 600 * 1000,          /* and is complained of that often */
    PRUNE_EVERY_MS = 3600 * 1000,
    BATCH_BYTES = 1 << 20,              /* a batch is closed there, so that dropping is done in small pieces */
    QUEUE_BYTES = 64 << 20,             /* kept in memory while the disk is in trouble: an hour of 80 readings a second */
    ENTRY_EXTRA = 16                    /* brackets, quotes, commas around topic and message */
};

struct question {
    uint64_t after_seq;
    size_t most;
    void *context;
    struct question *next;
};

struct news {
    struct journal_news news;
    struct news *next;
};

struct journal {
    struct journal_file *file;          /* the thread's, once it runs */
    char path[512];
    int days;
    void (*wake)(void *context);
    void *wake_context;
    pthread_t thread;
    bool started;

    pthread_mutex_t lock;               /* for all below */
    pthread_cond_t work, done;
    struct journal_batch *first, *last; /* waiting, oldest first */
    struct journal_batch *spare;        /* an empty one to use again */
    struct journal_keep *keeps;
    struct question *questions, **question_end;
    struct news *news, **news_end;
    size_t queued;                      /* bytes in the batches that wait */
    uint64_t wanted, reached;           /* tickets of releases that wait for a commit */
    uint64_t lost;                      /* messages dropped or never saved */
    uint64_t dropped_unsaid;
    bool urgent, failing, resting, stop, renew;
    int64_t commit_ms, try_ms, said_ms, prune_ms;   /* when the last, next, last, last */
    int64_t newest_us;                  /* UTC of the newest message, for pruning */
};

static int64_t now_ms(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static void until(pthread_cond_t *condition, pthread_mutex_t *lock, int64_t at_ms)
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

    journal->spare = NULL;
    if (!batch)
        batch = calloc(1, sizeof *batch);
    if (!batch)
        return NULL;
    batch->length = 0;
    batch->event = false;
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
        size_t size = batch->size ? batch->size * 2 : 16384;
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

static void add(struct journal *journal, const char *topic, size_t topic_length, const char *json, size_t json_length,
                uint64_t seq, int64_t time_us, bool event)
{
    struct journal_batch *batch = batch_for(journal, topic_length + json_length + ENTRY_EXTRA);
    size_t before;
    char *at;

    if (!batch) {
        journal->lost++;
        journal->dropped_unsaid++;
        return;
    }
    before = batch->length;
    at = batch->text + before;
    if (before == 0) {
        batch->first_seq = seq;
        batch->first_us = time_us;
    } else {
        *at++ = ',';
    }
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
    journal->queued += batch->length - before;
    journal->newest_us = time_us;
}

/* Wakes the thread when it rests without a deadline; otherwise its own deadline comes soon enough. */
static void nudge(struct journal *journal)
{
    if (journal->resting) {
        journal->resting = false;
        pthread_cond_signal(&journal->work);
    }
}

void journal_reading(struct journal *journal, const char *topic, size_t topic_length,
                     const char *json, size_t json_length, uint64_t seq, int64_t time_us)
{
    pthread_mutex_lock(&journal->lock);
    add(journal, topic, topic_length, json, json_length, seq, time_us, false);
    nudge(journal);
    pthread_mutex_unlock(&journal->lock);
}

void journal_hold(struct journal *journal)
{
    pthread_mutex_lock(&journal->lock);
}

void journal_event(struct journal *journal, const char *topic, size_t topic_length,
                   const char *json, size_t json_length, uint64_t seq, int64_t time_us)
{
    bool event = topic_length > 6 && memcmp(topic, "event/", 6) == 0;

    add(journal, topic, topic_length, json, json_length, seq, time_us, event);
}

static void keep_add(struct journal *journal, struct journal_keep *keep, bool newer)
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
        return;     /* what was kept before stays; the next turn tries again */
    snprintf(keep->key, sizeof keep->key, "%s", key);
    if (data) {
        if (!(keep->data = malloc(length ? length : 1))) {
            free(keep);
            return;
        }
        memcpy(keep->data, data, length);
        keep->length = length;
    }
    keep_add(journal, keep, true);
}

bool journal_release(struct journal *journal, int wait_ms)
{
    int64_t deadline = now_ms() + wait_ms;
    uint64_t ticket = ++journal->wanted;
    bool reached;

    journal->urgent = true;
    journal->resting = false;
    pthread_cond_signal(&journal->work);
    while (wait_ms > 0 && journal->reached < ticket && !journal->failing && now_ms() < deadline)
        until(&journal->done, &journal->lock, deadline);
    reached = journal->reached >= ticket;
    pthread_mutex_unlock(&journal->lock);
    return reached;
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

/* ---- the thread; each of these is called without the lock unless it says so ---- */

static void tell_locked(struct journal *journal, const struct journal_news *what)
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

static void begin_anew(struct journal *journal, struct why *why)
{
    struct journal_news news = { .kind = JOURNAL_RENEWED };
    char aside[600];

    journal_file_close(journal->file);
    journal->file = NULL;
    if (journal_file_open(&journal->file, journal->path, aside, sizeof aside, why) != 0)
        return;
    why_set(&news.why, 0, "journal %s: damaged; %s%s a new one was begun", journal->path,
            aside[0] ? "it is kept as " : "", aside[0] ? aside : "");
    pthread_mutex_lock(&journal->lock);
    tell_locked(journal, &news);
    pthread_mutex_unlock(&journal->lock);
}

static int commit(struct journal *journal, const struct journal_batch *batches, const struct journal_keep *keeps,
                  struct why *why)
{
    int error = -EUCLEAN;

    if (journal->file)
        error = journal_file_commit(journal->file, batches, keeps, why);
    if (error != -EUCLEAN)
        return error;
    begin_anew(journal, why);
    return journal->file ? journal_file_commit(journal->file, batches, keeps, why) : -EIO;
}

static void say_trouble_locked(struct journal *journal, int error, const struct why *why)
{
    struct journal_news news = { .kind = JOURNAL_TROUBLE };

    if (error) {
        if (journal->failing && now_ms() - journal->said_ms < SAY_AGAIN_MS)
            return;
        journal->said_ms = now_ms();
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
    tell_locked(journal, &news);
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

        keep_add(journal, keeps, false);
        keeps = next;
    }
}

static void recycle_locked(struct journal *journal, struct journal_batch *batches, struct journal_keep *keeps)
{
    while (batches) {
        struct journal_batch *next = batches->next;

        if (!journal->spare && batches->size <= BATCH_BYTES / 4)
            journal->spare = batches;   /* a burst's large buffer is given back */
        else
            batch_free(batches);
        batches = next;
    }
    while (keeps) {
        struct journal_keep *next = keeps->next;

        free(keeps->data);
        free(keeps);
        keeps = next;
    }
}

static void commit_waiting_locked(struct journal *journal)
{
    struct journal_batch *batches = journal->first;
    struct journal_keep *keeps = journal->keeps;
    uint64_t ticket = journal->wanted;
    struct why why;
    int error;

    journal->first = journal->last = NULL;
    journal->keeps = NULL;
    journal->queued = 0;
    journal->urgent = false;
    pthread_mutex_unlock(&journal->lock);
    error = commit(journal, batches, keeps, &why);
    pthread_mutex_lock(&journal->lock);
    if (error) {
        put_back_locked(journal, batches, keeps);
        say_trouble_locked(journal, error, &why);
        journal->try_ms = now_ms() + RETRY_MS;
    } else {
        recycle_locked(journal, batches, keeps);
        if (journal->failing)
            say_trouble_locked(journal, 0, NULL);
        journal->reached = ticket;
        journal->commit_ms = now_ms();
    }
    journal->failing = error != 0;
    pthread_cond_broadcast(&journal->done);
}

struct answer {
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
    if (answer->length)
        answer->text[answer->length++] = ',';
    memcpy(answer->text + answer->length, text, length);
    answer->length += length;
    return 0;
}

/* Adds what of a row came after the answer's last seq: the whole row where it can, else its entries
 * one by one.  Non-zero when the answer is as long as it may be. */
static int answer_row(void *context, const char *text, size_t length, uint64_t last_seq)
{
    struct answer *answer = context;
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

static void answer_question(struct journal *journal, struct question *question)
{
    struct answer answer = { .most = question->most, .last_seq = question->after_seq };
    struct journal_news news = { .kind = JOURNAL_ANSWER, .question = question->context };

    if (journal->file)
        answer.error = journal_file_rows(journal->file, question->after_seq, answer_row, &answer, &news.why);
    pthread_mutex_lock(&journal->lock);
    /* what a full disk keeps in memory belongs to the answer too */
    for (struct journal_batch *batch = journal->first; batch && !answer.full && !answer.error; batch = batch->next)
        if (batch->length && answer_row(&answer, batch->text, batch->length, batch->last_seq))
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
    news.next_seq = answer.last_seq;
    tell_locked(journal, &news);
    pthread_mutex_unlock(&journal->lock);
    free(question);
}

static void answer_all_locked(struct journal *journal)
{
    while (journal->questions) {
        struct question *question = journal->questions;

        if (!(journal->questions = question->next))
            journal->question_end = &journal->questions;
        pthread_mutex_unlock(&journal->lock);
        answer_question(journal, question);
        pthread_mutex_lock(&journal->lock);
    }
}

static void prune_locked(struct journal *journal)
{
    int64_t older_than_us = journal->newest_us - (int64_t)journal->days * 86400 * 1000000;
    struct why why;

    if (journal->failing || journal->newest_us == 0 || !journal->file ||
        (journal->prune_ms && now_ms() - journal->prune_ms < PRUNE_EVERY_MS))
        return;
    pthread_mutex_unlock(&journal->lock);
    if (journal_file_prune(journal->file, older_than_us, &why) <= 0)
        journal->prune_ms = now_ms();       /* nothing old is left: rest an hour */
    pthread_mutex_lock(&journal->lock);
}

/* When the thread has to commit: 0 now, -1 never, else that time. */
static int64_t due_locked(const struct journal *journal)
{
    int64_t at_ms = journal->commit_ms + GROUP_MS;

    if (!journal->keeps && (!journal->first || (!journal->first->length && !journal->first->next)))
        return -1;
    if (journal->failing)
        at_ms = journal->try_ms;
    else if (journal->urgent || journal->questions)
        return 0;
    return at_ms <= now_ms() ? 0 : at_ms;
}

static void *thread_run(void *context)
{
    struct journal *journal = context;

    pthread_mutex_lock(&journal->lock);
    for (;;) {
        int64_t due_ms = due_locked(journal);

        if (due_ms == 0 || (journal->stop && due_ms > 0)) {
            commit_waiting_locked(journal);
            prune_locked(journal);
        }
        if (journal->reached < journal->wanted && due_ms == -1)
            journal->reached = journal->wanted;
        answer_all_locked(journal);
        if (journal->stop)
            break;
        due_ms = due_locked(journal);
        if (due_ms == 0)
            continue;
        journal->resting = due_ms == -1;
        if (due_ms == -1)
            pthread_cond_wait(&journal->work, &journal->lock);
        else
            until(&journal->work, &journal->lock, due_ms);
        journal->resting = false;
    }
    pthread_mutex_unlock(&journal->lock);
    return NULL;
}

/* ---- opening and closing ---- */

int journal_open(struct journal **out, const char *path, int days, void (*wake)(void *context), void *context,
                 struct why *notice, struct why *why)
{
    struct journal *journal = calloc(1, sizeof *journal);
    pthread_condattr_t attributes;
    char aside[600];
    int error;

    if (!journal)
        return why_set(why, -ENOMEM, "journal %s: out of memory", path);
    if ((error = journal_file_open(&journal->file, path, aside, sizeof aside, why)) != 0) {
        free(journal);
        return error;
    }
    notice->text[0] = '\0';
    if (aside[0])
        why_set(notice, 0, "journal %s: damaged; it is kept as %s and a new one was begun", path, aside);
    snprintf(journal->path, sizeof journal->path, "%s", path);
    journal->days = days;
    journal->wake = wake;
    journal->wake_context = context;
    journal->question_end = &journal->questions;
    journal->news_end = &journal->news;
    journal->commit_ms = now_ms() - GROUP_MS;
    pthread_mutex_init(&journal->lock, NULL);
    pthread_condattr_init(&attributes);
    pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC);
    pthread_cond_init(&journal->work, &attributes);
    pthread_cond_init(&journal->done, &attributes);
    pthread_condattr_destroy(&attributes);
    *out = journal;
    return 0;
}

int journal_last(struct journal *journal, uint64_t *last_seq, struct why *why)
{
    return journal_file_last(journal->file, last_seq, why);
}

int journal_kept(struct journal *journal,
                 void (*each)(void *context, const char *key, const void *data, size_t length), void *context,
                 struct why *why)
{
    return journal_file_kept(journal->file, each, context, why);
}

struct replay {
    uint64_t after_seq;
    void (*each)(void *context, const char *topic, size_t topic_length, const char *json, size_t json_length);
    void *context;
};

static int replay_row(void *context, const char *text, size_t length, uint64_t last_seq)
{
    const struct replay *replay = context;
    struct journal_entry entry;

    (void)last_seq;
    for (size_t at = 0; at < length && journal_entry_read(text + at, length - at, &entry) == 0; at += entry.length + 1)
        if (entry.seq > replay->after_seq)
            replay->each(replay->context, entry.topic, entry.topic_length, entry.json, entry.json_length);
    return 0;
}

int journal_replay(struct journal *journal, uint64_t after_seq,
                   void (*each)(void *context, const char *topic, size_t topic_length,
                                const char *json, size_t json_length), void *context, struct why *why)
{
    struct replay replay = { after_seq, each, context };

    return journal_file_rows(journal->file, after_seq, replay_row, &replay, why);
}

int journal_start(struct journal *journal, struct why *why)
{
    sigset_t all, before;
    int error;

    sigfillset(&all);       /* signals are the loop's */
    pthread_sigmask(SIG_SETMASK, &all, &before);
    error = pthread_create(&journal->thread, NULL, thread_run, journal);
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
    batch_free(journal->spare);
    recycle_locked(journal, NULL, journal->keeps);
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
