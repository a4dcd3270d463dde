/* A computer whose power is cut, for the tests: loaded before the C library (LD_PRELOAD), it keeps in the file named by
 * POWER_CUT what stood where something is written to a file beside that one, and when what was written reached the
 * disk. power_cut.py takes back from that what did not.  What only the memory of a program holds is gone with the
 * program. */
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

/* A record: this, then the bytes that stood there, then those that are written.  All numbers are the computer's own. */
struct record {
    uint64_t inode, offset, old_size, new_size, old_length, new_length, what;
};
enum { WRITTEN, SYNC_BEGINS, SYNC_ENDS };

static int record_file = -1;
static dev_t device;
static char folder[PATH_MAX];
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

static void __attribute__((constructor)) begin(void)
{
    const char *path = getenv("POWER_CUT");
    struct stat status;

    record_file = path ? open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600) : -1;
    if (record_file < 0 || fstat(record_file, &status) != 0)
        return;
    device = status.st_dev;
    snprintf(folder, sizeof folder, "%s", path);
    *strrchr(folder, '/') = '\0';
}

/* A file in the same folder; its size. */
static int is_watched(int file, struct stat *status)
{
    char link[64], path[PATH_MAX];
    ssize_t length;

    if (record_file < 0 || fstat(file, status) != 0 || !S_ISREG(status->st_mode) || status->st_dev != device)
        return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    length = readlink(link, path, sizeof path - 1);
    return length > 0 && strncmp(path, folder, strlen(folder)) == 0;
}

static void put(const struct record *record, const void *old, const struct iovec *new, int parts)
{
    struct iovec all[10] = { { (void *)record, sizeof *record }, { (void *)old, record->old_length } };

    for (int i = 0; i < parts && i < 8; i++)
        all[2 + i] = new[i];
    if (writev(record_file, all, 2 + parts) < 0)
        abort(); /* a test whose record is full means nothing */
}

/* Before it is written: a kill between the two leaves a write that is known and did not happen, which is harmless. */
static void about_to_write(int file, const struct stat *status, const struct iovec *parts, int count, off_t offset)
{
    struct record record = { .inode = status->st_ino,
                             .offset = (uint64_t)offset,
                             .what = WRITTEN,
                             .old_size = (uint64_t)status->st_size,
                             .new_size = (uint64_t)status->st_size };
    char *old;
    ssize_t got;

    for (int i = 0; i < count; i++)
        record.new_length += parts[i].iov_len;
    if (record.offset + record.new_length > record.new_size)
        record.new_size = record.offset + record.new_length;
    old = malloc(record.new_length + 1);
    got = old ? syscall(SYS_pread64, file, old, record.new_length, offset) : -1;
    if (got < 0)
        abort();
    record.old_length = (uint64_t)got;
    put(&record, old, parts, count);
    free(old);
}

static ssize_t write_at(int file, const struct iovec *parts, int count, off_t offset)
{
    struct stat status;
    ssize_t result;
    int watched = is_watched(file, &status);

    if (watched) {
        pthread_mutex_lock(&lock);
        fstat(file, &status);
        about_to_write(file, &status, parts, count, offset);
    }
    result = syscall(SYS_pwritev, file, parts, count, offset, 0);
    if (watched)
        pthread_mutex_unlock(&lock);
    return result;
}

static int resize(int file, off_t size, int grow_only)
{
    struct stat status;
    int result, error;

    if (!is_watched(file, &status))
        return (int)(grow_only ? syscall(SYS_fallocate, file, 0, 0, size) : syscall(SYS_ftruncate, file, size));
    pthread_mutex_lock(&lock);
    fstat(file, &status);
    if (!grow_only || size > status.st_size) {
        struct record record = { .inode = status.st_ino,
                                 .what = WRITTEN,
                                 .old_size = (uint64_t)status.st_size,
                                 .new_size = (uint64_t)size,
                                 .offset = (uint64_t)size };
        size_t lost = size < status.st_size ? (size_t)(status.st_size - size) : 0;
        char *old = malloc(lost + 1);
        ssize_t got = old ? syscall(SYS_pread64, file, old, lost, size) : -1;

        if (got < 0)
            abort();
        record.old_length = (uint64_t)got;
        put(&record, old, NULL, 0);
        free(old);
    }
    result = (int)(grow_only ? syscall(SYS_fallocate, file, 0, 0, size) : syscall(SYS_ftruncate, file, size));
    error = errno;
    pthread_mutex_unlock(&lock);
    errno = error;
    return result;
}

static int sync_it(int file, long call)
{
    struct stat status;
    int watched = is_watched(file, &status), result;
    struct record record = { .what = SYNC_BEGINS };

    if (watched) {
        record.inode = status.st_ino;
        pthread_mutex_lock(&lock);
        put(&record, NULL, NULL, 0);
        pthread_mutex_unlock(&lock);
    }
    result = (int)syscall(call, file);
    if (watched && result == 0) {
        record.what = SYNC_ENDS;
        pthread_mutex_lock(&lock);
        put(&record, NULL, NULL, 0);
        pthread_mutex_unlock(&lock);
    }
    return result;
}

ssize_t pwrite(int file, const void *bytes, size_t length, off_t offset)
{
    struct iovec part = { (void *)bytes, length };

    return write_at(file, &part, 1, offset);
}

ssize_t pwrite64(int file, const void *bytes, size_t length, off_t offset)
{
    return pwrite(file, bytes, length, offset);
}

ssize_t pwritev(int file, const struct iovec *parts, int count, off_t offset)
{
    return write_at(file, parts, count, offset);
}

int ftruncate(int file, off_t size)
{
    return resize(file, size, 0);
}

int ftruncate64(int file, off_t size)
{
    return resize(file, size, 0);
}

int posix_fallocate(int file, off_t offset, off_t length)
{
    return resize(file, offset + length, 1) == 0 ? 0 : errno;
}

int fdatasync(int file)
{
    return sync_it(file, SYS_fdatasync);
}

int fsync(int file)
{
    return sync_it(file, SYS_fsync);
}
