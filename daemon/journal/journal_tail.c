/* The tail of the journal; see journal_tail.h. */
#include "journal_tail.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <unistd.h>

#include "checksum.h"

enum {
    FILE_BYTES = 1 << 20, /* eight times what is committed at once at the latest: a slow disk has its time */
    HEAD_BYTES = 64,
    TAIL_BYTES = FILE_BYTES - HEAD_BYTES
};

static const uint32_t MARK = 0x6c696174; /* "tail" */

struct head {
    uint64_t noted_seq, checksum;
};

struct record {
    uint32_t mark, length;
    uint64_t checksum; /* of the entry behind it */
};

/* ---- reading back ---- */

/* The record at this place; NULL: the end, or what a kill or a power cut left of one. */
static const char *record_at(const char *text, size_t at, struct record *out)
{
    if (TAIL_BYTES - at < sizeof *out)
        return NULL;
    memcpy(out, text + at, sizeof *out);
    if (out->mark != MARK || out->length > TAIL_BYTES - at - sizeof *out
        || checksum64(text + at + sizeof *out, out->length) != out->checksum)
        return NULL;
    return text + at + sizeof *out;
}

/* How much of it is whole. */
static size_t hand_out(const char *text, void (*each)(void *context, const char *entry, size_t length), void *context)
{
    struct record record;
    const char *entry;
    size_t at;

    for (at = 0; text && (entry = record_at(text, at, &record)); at += sizeof record + record.length)
        each(context, entry, record.length);
    return at;
}

/* The number of the message that is written first in a file: the lower one is the older file.  0: there is none. */
static unsigned long long first_seq(const char *text)
{
    struct record record;
    const char *entry = text ? record_at(text, 0, &record) : NULL;
    const char *seq = entry ? memmem(entry, record.length, "\"seq\":", 6) : NULL;

    return seq ? strtoull(seq + 6, NULL, 10) : 0;
}

/* With all its room on the disk, so that there is none missing when a reading comes. */
static int open_one(const char *journal_path, int number)
{
    char path[600];
    struct stat status;
    int file, error;

    snprintf(path, sizeof path, "%s.tail-%d", journal_path, number + 1);
    file = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (file < 0)
        return -errno;
    error = fstat(file, &status) != 0 ? errno : S_ISREG(status.st_mode) ? posix_fallocate(file, 0, FILE_BYTES) : EINVAL;
    if (!error)
        return file;
    close(file);
    return -error;
}

/* All that can be read of it, and zeros behind that, which are no record; NULL: nothing. */
static char *read_one(int file)
{
    char *bytes = file < 0 ? NULL : calloc(1, FILE_BYTES);
    size_t at = 0;
    ssize_t got;

    while (bytes && at < FILE_BYTES && (got = pread(file, bytes + at, FILE_BYTES - at, (off_t)at)) > 0)
        at += (size_t)got;
    return bytes;
}

static uint64_t noted_in(const char *bytes)
{
    struct head head;

    memcpy(&head, bytes, sizeof head);
    return checksum64(&head.noted_seq, sizeof head.noted_seq) == head.checksum ? head.noted_seq : 0;
}

void tail_open(struct journal_tail *tail, const char *journal_path,
               void (*each)(void *context, const char *entry, size_t length), void *context)
{
    unsigned long long seq[2];
    char *bytes[2];
    const char *text[2];
    int older;

    tail->noted_seq = 0;
    for (int i = 0; i < 2; i++) {
        tail->file[i] = open_one(journal_path, i);
        bytes[i] = read_one(tail->file[i]);
        text[i] = bytes[i] ? bytes[i] + HEAD_BYTES : NULL;
        seq[i] = first_seq(text[i]);
        if (bytes[i] && noted_in(bytes[i]) > tail->noted_seq)
            tail->noted_seq = noted_in(bytes[i]);
    }
    older = seq[1] && (!seq[0] || seq[1] < seq[0]);
    tail->now = !older;
    tail->length[older] = hand_out(text[older], each, context);
    tail->length[!older] = hand_out(text[!older], each, context);
    free(bytes[0]);
    free(bytes[1]);
}

/* ---- writing ---- */

int tail_add(struct journal_tail *tail, const char *entry, size_t length)
{
    size_t *end = &tail->length[tail->now];
    struct record record = { MARK, (uint32_t)length, checksum64(entry, length) };
    struct iovec parts[] = { { &record, sizeof record }, { (char *)entry, length } };
    ssize_t wrote;

    if (tail->file[tail->now] < 0)
        return tail->file[tail->now];
    if (TAIL_BYTES - *end < sizeof record + length)
        return -EAGAIN;
    wrote = pwritev(tail->file[tail->now], parts, 2, (off_t)(HEAD_BYTES + *end));
    if (wrote < 0)
        return -errno;
    if ((size_t)wrote != sizeof record + length)
        return -ENOSPC;
    *end += sizeof record + length;
    return 0;
}

/* Where it cannot be written, less is known to be missing later, and nothing else. */
void tail_note(struct journal_tail *tail, uint64_t seq)
{
    struct head head = { seq, checksum64(&seq, sizeof seq) };

    if (seq <= tail->noted_seq)
        return;
    tail->noted_seq = seq;
    for (int i = 0; i < 2; i++) {
        ssize_t wrote = tail->file[i] >= 0 ? pwrite(tail->file[i], &head, sizeof head, 0) : 0;

        (void)wrote;
    }
}

void tail_turn(struct journal_tail *tail)
{
    if (tail->length[!tail->now] == 0)
        tail->now = !tail->now;
}

void tail_empty(struct journal_tail *tail, bool both)
{
    assert(tail->length[!tail->now] <= TAIL_BYTES); /* the other one's may grow just now */
    tail->length[!tail->now] = 0;
    if (both)
        tail->length[tail->now] = 0;
}

void tail_close(struct journal_tail *tail)
{
    for (int i = 0; i < 2; i++) {
        if (tail->file[i] >= 0)
            close(tail->file[i]);
        tail->file[i] = -1;
    }
}
