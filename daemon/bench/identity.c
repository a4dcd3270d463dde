/* The bench's identity in its file; see identity.h. */
#include "identity.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/random.h>
#include <unistd.h>

#include "lock.h"

static int read_it(const char *path, char out[BENCH_ID_SIZE], struct why *why)
{
    char text[BENCH_ID_SIZE + 1] = "";
    int file = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    ssize_t length = file < 0 ? -1 : read(file, text, sizeof text);
    int error = errno;

    if (file >= 0)
        close(file);
    if (length < 0)
        return why_set(why, -error, "%s: %s", path, strerror(error));
    if (length != BENCH_ID_SIZE || text[BENCH_ID_SIZE - 1] != '\n'
        || strspn(text, "0123456789abcdef") != BENCH_ID_SIZE - 1)
        return why_set(why, -EBADF,
                       "%s: is damaged, so a shared record cannot know this bench again: put its 32 digits back "
                       "(`sqlite3 STORE 'SELECT identity FROM bench'` has them), or remove the file for a new one",
                       path);
    snprintf(out, BENCH_ID_SIZE, "%.*s", BENCH_ID_SIZE - 1, text);
    return 0;
}

/* Whole or not at all, also when the power goes: it is written under another name first. */
static int make_it(const char *path, struct why *why)
{
    unsigned char random[(BENCH_ID_SIZE - 1) / 2];
    char text[BENCH_ID_SIZE + 1], name[640];
    int length = 0, file, error = 0;

    if (getrandom(random, sizeof random, 0) != sizeof random)
        return why_set(why, -EIO, "%s: no random numbers for the bench's identity", path);
    for (size_t i = 0; i < sizeof random; i++)
        length += sprintf(text + length, "%02x", random[i]);
    text[length++] = '\n';
    snprintf(name, sizeof name, "%s.new", path);
    file = open(name, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (file < 0 || write(file, text, (size_t)length) != length || fsync(file) != 0)
        error = errno ? -errno : -EIO;
    if (file >= 0)
        close(file);
    if (!error && rename(name, path) != 0)
        error = -errno;
    if (error) {
        unlink(name);
        return why_set(why, error, "%s: the bench's identity cannot be kept: %s", path, strerror(-error));
    }
    give_to_group(path);
    return 0;
}

int identity_find(const char *journal, char out[BENCH_ID_SIZE], struct why *why)
{
    const char *slash = strrchr(journal, '/');
    int folder = slash ? (int)(slash - journal) + 1 : 0, error;
    char path[600];

    out[0] = '\0';
    snprintf(path, sizeof path, "%.*sbench-id.%s", folder, journal, journal + folder);
    error = read_it(path, out, why);
    if (error == -ENOENT && (error = make_it(path, why)) == 0)
        error = read_it(path, out, why);
    return error;
}
