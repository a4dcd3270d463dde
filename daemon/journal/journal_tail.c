/* The tail of the journal; see journal_tail.h. */
#include "journal_tail.h"

#include <assert.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
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
static const char *record_at(const char *map, size_t at, struct record *out)
{
    if (TAIL_BYTES - at < sizeof *out)
        return NULL;
    memcpy(out, map + at, sizeof *out);
    if (out->mark != MARK || out->length > TAIL_BYTES - at - sizeof *out
        || checksum64(map + at + sizeof *out, out->length) != out->checksum)
        return NULL;
    return map + at + sizeof *out;
}

/* How much of it is whole. */
static size_t hand_out(const char *map, void (*each)(void *context, const char *entry, size_t length), void *context)
{
    struct record record;
    const char *entry;
    size_t at;

    for (at = 0; map && (entry = record_at(map, at, &record)); at += sizeof record + record.length)
        each(context, entry, record.length);
    return at;
}

/* The number of the message that is written first in a file: the lower one is the older file.  0: there is none. */
static unsigned long long first_seq(const char *map)
{
    struct record record;
    const char *entry = map ? record_at(map, 0, &record) : NULL;
    const char *seq = entry ? memmem(entry, record.length, "\"seq\":", 6) : NULL;

    return seq ? strtoull(seq + 6, NULL, 10) : 0;
}

/* With all its room on the disk, so that there is none missing when a reading comes. */
static char *map_one(const char *journal_path, int number)
{
    char path[600];
    void *map = MAP_FAILED;
    struct stat status;
    int file;

    snprintf(path, sizeof path, "%s.tail-%d", journal_path, number + 1);
    file = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (file < 0)
        return NULL;
    if (fstat(file, &status) == 0 && S_ISREG(status.st_mode) && posix_fallocate(file, 0, FILE_BYTES) == 0)
        map = mmap(NULL, FILE_BYTES, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    close(file);
    return map == MAP_FAILED ? NULL : (char *)map + HEAD_BYTES;
}

static uint64_t noted_in(const char *map)
{
    struct head head;

    if (!map)
        return 0;
    memcpy(&head, map - HEAD_BYTES, sizeof head);
    return checksum64(&head.noted_seq, sizeof head.noted_seq) == head.checksum ? head.noted_seq : 0;
}

void tail_note(struct journal_tail *tail, uint64_t seq)
{
    struct head head = { seq, checksum64(&seq, sizeof seq) };

    tail->noted_seq = seq;
    for (int i = 0; i < 2; i++)
        if (tail->map[i])
            memcpy(tail->map[i] - HEAD_BYTES, &head, sizeof head);
}

void tail_open(struct journal_tail *tail, const char *journal_path,
               void (*each)(void *context, const char *entry, size_t length), void *context)
{
    unsigned long long seq[2];
    int older;

    tail->noted_seq = 0;
    for (int i = 0; i < 2; i++) {
        tail->map[i] = map_one(journal_path, i);
        seq[i] = first_seq(tail->map[i]);
        if (noted_in(tail->map[i]) > tail->noted_seq)
            tail->noted_seq = noted_in(tail->map[i]);
    }
    older = seq[1] && (!seq[0] || seq[1] < seq[0]);
    tail->now = !older;
    tail->length[older] = hand_out(tail->map[older], each, context);
    tail->length[!older] = hand_out(tail->map[!older], each, context);
}

/* ---- writing ---- */

void tail_add(struct journal_tail *tail, const char *entry, size_t length)
{
    char *map = tail->map[tail->now];
    size_t *end = &tail->length[tail->now];
    struct record record = { MARK, (uint32_t)length, checksum64(entry, length) };

    if (!map || TAIL_BYTES - *end < sizeof record + length)
        return;
    memcpy(map + *end, &record, sizeof record);
    memcpy(map + *end + sizeof record, entry, length);
    *end += sizeof record + length;
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
        if (tail->map[i])
            munmap(tail->map[i] - HEAD_BYTES, FILE_BYTES);
        tail->map[i] = NULL;
    }
}
