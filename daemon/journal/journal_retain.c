/* What may go from the journal: by age and size, and by who has read it. */
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>

#include "journal_parts.h"
#include "poise/clock.h"

enum {
    PRUNE_PER_ROW = 2,      /* so many old rows may go for one that comes: a wall clock that is set far
                             * ahead makes all of them old, and who replays a brew must have time for it */
    PRUNE_SAVED_UP = 80000, /* a day's rows at one commit a second */
    IDLE_DAYS = 2,          /* readings outside brews are looked at today or tomorrow, or never */
    IDLE_BITES = 16,        /* a thousand rows a minute, where sixty come */
    MEASURE_EVERY_MS = 60000,
    SILENT_DAYS = 30, /* a reader is waited for at least so long: a holiday, and more */
    SAY_UNREAD_AGAIN_MS = 3600 * 1000
};

static const int64_t HOUR_MS = 3600 * 1000, DAY_MS = 86400 * 1000;

/* By the messages' own clock, which may be a fast one. */
static const int64_t PRUNE_EVERY_US = 3600 * INT64_C(1000000), DAY_US = 86400 * INT64_C(1000000);

/* Room on the disk below which it is reported, long before it is full: a day of three scales (3 KB a second each). */
static const uint64_t ROOM_LEAST = UINT64_C(1) << 30;

/* A reader as it is kept. */
struct kept_reader {
    uint64_t seq;
    int64_t silent_ms;
};

static struct reader *find(struct journal *journal, const char *name)
{
    for (int i = 0; i < journal->reader_count; i++)
        if (strcmp(journal->readers[i].name, name) == 0)
            return &journal->readers[i];
    return NULL;
}

static void report_locked(struct journal *journal, const struct why *why)
{
    journal_report_locked(journal, &(struct journal_news){ .kind = JOURNAL_TROUBLE, .why = *why });
}

/* NULL: as many are waited for as can be. */
static struct reader *find_or_add(struct journal *journal, const char *name)
{
    struct reader *reader = find(journal, name);

    if (reader || journal->reader_count == READERS_MOST)
        return reader;
    reader = &journal->readers[journal->reader_count++];
    *reader = (struct reader){ .kept_seq = NOT_KEPT };
    strcpy(reader->name, name);
    journal->pruned_us = 0; /* what had to be kept for want of a reader may go now */
    return reader;
}

void journal_read_by(struct journal *journal, const char *name, uint64_t seq)
{
    struct reader *reader;
    struct why why;

    pthread_mutex_lock(&journal->lock);
    if ((reader = find_or_add(journal, name))) {
        reader->seq = seq; /* also a lower one: a store that was put back to an earlier state reads again */
        reader->silent_ms = 0;
        reader->asked_ms = clock_steady_ms();
    } else if (!journal->readers_full) {
        journal->readers_full = true;
        why_set(
            &why, 0,
            "journal %s: %d readers are waited for, and reader %s is one too many: what it has not read may go; stop "
            "readers that are not needed",
            journal->path, READERS_MOST, name);
        report_locked(journal, &why);
    }
    pthread_mutex_unlock(&journal->lock);
}

int journal_readers(struct journal *journal, struct journal_reader out[JOURNAL_READERS])
{
    int64_t now_ms = clock_steady_ms();
    int count;

    pthread_mutex_lock(&journal->lock);
    for (count = 0; count < journal->reader_count; count++) {
        const struct reader *reader = &journal->readers[count];

        strcpy(out[count].name, reader->name);
        out[count].seq = reader->seq;
        out[count].silent_ms = reader->asked_ms ? now_ms - reader->asked_ms : -1;
    }
    pthread_mutex_unlock(&journal->lock);
    return count;
}

void journal_retain_gone(struct journal *journal, uint64_t seq)
{
    if (seq > journal->gone_seq)
        journal->gone_seq = seq;
}

void journal_retain_reader(struct journal *journal, const char *name, const void *data, size_t length)
{
    struct kept_reader kept = { 0, 0 };
    struct reader *reader;

    if (length != sizeof kept && length != sizeof kept.seq) /* the seq alone was kept at first */
        return;
    memcpy(&kept, data, length);
    if (!(reader = find_or_add(journal, name)))
        return;
    reader->seq = reader->kept_seq = kept.seq;
    reader->silent_ms = reader->kept_silent_ms = kept.silent_ms < 0 ? 0 : kept.silent_ms;
}

/* By how long poised ran and had something to be read, since any wall clock may be wrong. */
static void forget_silent_readers(struct journal *journal)
{
    int days = journal->limits.days > SILENT_DAYS ? journal->limits.days : SILENT_DAYS;
    int64_t now_ms = clock_steady_ms(), passed_ms = journal->silence_ms ? now_ms - journal->silence_ms : 0;
    struct why why;

    journal->silence_ms = now_ms;
    if (passed_ms > 2 * MEASURE_EVERY_MS)
        passed_ms = 2 * MEASURE_EVERY_MS;
    for (int i = journal->reader_count - 1; i >= 0; i--) {
        struct reader *reader = &journal->readers[i];
        char key[KEEP_KEY_SIZE];

        if ((reader->silent_ms += passed_ms) < days * DAY_MS)
            continue;
        snprintf(key, sizeof key, "reader/%s", reader->name);
        journal_keep(journal, key, NULL, 0);
        why_set(&why, 0,
                "journal %s: reader %s has not been connected for %d days: messages it has not read "
                "(after number %llu) may be deleted from now on",
                journal->path, reader->name, days, (unsigned long long)reader->seq);
        report_locked(journal, &why);
        *reader = journal->readers[--journal->reader_count];
        journal->readers_full = false;
        journal->pruned_us = 0;
    }
}

/* What all have.  Who has never been heard of cannot be waited for; so while nobody has, nothing counts as read. */
static uint64_t read_by_all(const struct journal *journal)
{
    uint64_t least = journal->reader_count ? UINT64_MAX : 0;

    for (int i = 0; i < journal->reader_count; i++)
        if (journal->readers[i].seq < least)
            least = journal->readers[i].seq;
    return least;
}

/* Once an hour, while old rows are left with each commit. */
static void retain_by_age(struct journal *journal, struct journal_prune *prune)
{
    int64_t now_us = prune->now_us;
    uint64_t dropped = 0;
    struct why why;
    int pruned;

    if (journal->prune_rows < PRUNE_SAVED_UP)
        journal->prune_rows += PRUNE_PER_ROW;
    if (journal->pruned_us && llabs(now_us - journal->pruned_us) < PRUNE_EVERY_US)
        return;
    prune->older_than_us = now_us - journal->limits.days * DAY_US;
    prune->most = journal->prune_rows;
    pthread_mutex_unlock(&journal->lock);
    pruned = journal_file_prune(journal->file, prune, &dropped, &why);
    pthread_mutex_lock(&journal->lock);
    journal_retain_gone(journal, dropped);
    if (pruned > 0)
        journal->prune_rows -= pruned;
    else
        journal->pruned_us = now_us; /* nothing old is left: rest an hour */
}

static void retain_idle(struct journal *journal, struct journal_prune *prune)
{
    struct why why;

    prune->older_than_us =
        prune->now_us - (journal->limits.days < IDLE_DAYS ? journal->limits.days : IDLE_DAYS) * DAY_US;
    prune->most = INT32_MAX;
    pthread_mutex_unlock(&journal->lock);
    for (int bite = 0; bite < IDLE_BITES; bite++) {
        uint64_t before = journal->idle_cursor;

        if (journal_file_prune_idle(journal->file, prune, &journal->idle_cursor, &why) < 0
            || journal->idle_cursor == before)
            break;
    }
    pthread_mutex_lock(&journal->lock);
}

/* So that nobody starts a logger that is running. */
static void report_unread(struct journal *journal, uint64_t dropped)
{
    const struct reader *slowest = journal->reader_count ? &journal->readers[0] : NULL;
    int64_t now_ms = clock_steady_ms();
    struct why why;

    if (journal->unread_said_ms && now_ms - journal->unread_said_ms < SAY_UNREAD_AGAIN_MS)
        return;
    journal->unread_said_ms = now_ms;
    for (int i = 1; i < journal->reader_count; i++)
        if (journal->readers[i].seq < slowest->seq)
            slowest = &journal->readers[i];
    why_set(&why, 0,
            "journal %s: larger than journal_mb allows, and nothing is left that every reader has: messages up to %llu "
            "were dropped unread; %s%s%s",
            journal->path, (unsigned long long)dropped, slowest ? "reader " : "start poise-logger",
            slowest ? slowest->name : "", slowest ? " is behind: start it again, or allow more" : ", or allow more");
    report_locked(journal, &why);
}

/* First what all have read, then readings outside brews, at last the oldest of all, and that is reported. */
static void retain_by_size(struct journal *journal, struct journal_prune *prune)
{
    uint64_t read = 0, dropped = 0, newest_seq = journal->newest_seq - 1; /* the last row stays in any case */
    int64_t bytes = journal->limits.bytes;
    bool at_end = false;
    struct why why;
    int pruned;

    prune->older_than_us = INT64_MAX;
    prune->most = INT32_MAX;
    pthread_mutex_unlock(&journal->lock);
    journal->over = journal_file_size(journal->file) > bytes;
    pruned = journal->over ? journal_file_prune(journal->file, prune, &read, &why) : -1;
    prune->up_to_seq = newest_seq;
    for (int bite = 0; bite < IDLE_BITES && pruned == 0 && !at_end; bite++) {
        uint64_t before = journal->size_cursor;

        pruned = journal_file_prune_idle(journal->file, prune, &journal->size_cursor, &why);
        at_end = journal->size_cursor == before;
    }
    if (pruned == 0 && at_end)
        journal_file_prune(journal->file, prune, &dropped, &why);
    pthread_mutex_lock(&journal->lock);
    journal_retain_gone(journal, read);
    journal_retain_gone(journal, dropped);
    if (dropped)
        report_unread(journal, dropped);
}

static void look_at_disk(struct journal *journal)
{
    struct statvfs disk;
    struct why why;
    uint64_t room;

    if (statvfs(journal->path, &disk) != 0)
        return;
    room = (uint64_t)disk.f_bavail * disk.f_frsize;
    if (room < ROOM_LEAST && !journal->tight) {
        why_set(&why, 0, "journal %s: only %llu MB are left on its disk; make room before it is full", journal->path,
                (unsigned long long)(room >> 20));
        report_locked(journal, &why);
    }
    journal->tight = journal->tight ? room < 2 * ROOM_LEAST : room < ROOM_LEAST;
}

/* So that a restart, which forgets what readers said since, only keeps a little more. */
static void keep_readers(struct journal *journal)
{
    for (int i = 0; i < journal->reader_count; i++) {
        struct reader *reader = &journal->readers[i];
        struct kept_reader kept = { reader->seq, reader->silent_ms };
        char key[KEEP_KEY_SIZE];

        if (reader->seq == reader->kept_seq && llabs(reader->silent_ms - reader->kept_silent_ms) < HOUR_MS)
            continue;
        snprintf(key, sizeof key, "reader/%s", reader->name);
        journal_keep(journal, key, &kept, sizeof kept);
        reader->kept_seq = reader->seq;
        reader->kept_silent_ms = reader->silent_ms;
    }
}

void journal_retain_locked(struct journal *journal)
{
    uint64_t read = read_by_all(journal);
    struct journal_prune prune = { .up_to_seq = read < journal->newest_seq ? read : journal->newest_seq - 1,
                                   .now_us = journal->newest_us };
    bool measure = clock_steady_ms() - journal->measured_ms >= MEASURE_EVERY_MS;

    if (journal->failing || journal->newest_us == 0 || !journal->file)
        return;
    retain_by_age(journal, &prune);
    if (measure) {
        journal->measured_ms = clock_steady_ms();
        retain_idle(journal, &prune);
        look_at_disk(journal);
        forget_silent_readers(journal);
        keep_readers(journal);
    }
    if (measure || journal->over)
        retain_by_size(journal, &prune);
    if (journal->gone_seq != journal->gone_kept)
        journal_keep(journal, JOURNAL_GONE_KEY, &journal->gone_seq, sizeof journal->gone_seq);
    journal->gone_kept = journal->gone_seq;
}
