/* Running another program of Poise; see run.h. */
#include "run.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <sodium.h>
#include <spawn.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

#include "poise/clock.h"

enum {
    PATIENCE_MS = 20000, /* a hundred thousand cups take some seconds */
    PAGE_MOST = 8 << 20,
    SAID_MOST = 280
};

extern char **environ;

/* They stand side by side. */
static bool find_program(const char *name, char *out, size_t size)
{
    ssize_t length = readlink("/proc/self/exe", out, size - 32);
    char *slash;

    if (length <= 0)
        return false;
    out[length] = '\0';
    slash = strrchr(out, '/');
    strncpy(slash ? slash + 1 : out, name, 31);
    return true;
}

static int start(struct job *job, char *const arguments[], int in, int out, int said, pid_t *pid)
{
    char path[1024] = "";
    posix_spawn_file_actions_t actions;
    int error = find_program(arguments[0], path, sizeof path) ? 0 : ENOENT;

    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, in, 0);
    posix_spawn_file_actions_adddup2(&actions, out, 1);
    posix_spawn_file_actions_adddup2(&actions, said, 2);
    if (!error)
        error = posix_spawn(pid, path, &actions, NULL, arguments, environ);
    posix_spawn_file_actions_destroy(&actions);
    return error ? why_set(&job->why, -error, "%s was not started: %s", arguments[0], strerror(error)) : 0;
}

/* A file that is nowhere, with this text in it: nothing has to be written while we read. */
static int input_of(const char *text)
{
    size_t length = text ? strlen(text) : 0;
    int fd = memfd_create("input", MFD_CLOEXEC);

    if (fd >= 0 && (write(fd, text ? text : "", length) != (ssize_t)length || lseek(fd, 0, SEEK_SET) < 0)) {
        close(fd);
        fd = -1;
    }
    return fd;
}

/* Takes in what both ends bring until both are closed.  0; -ETIMEDOUT, -E2BIG. */
static int gather(int page, int said, struct text *out, char *words)
{
    struct pollfd both[2] = { { .fd = page, .events = POLLIN }, { .fd = said, .events = POLLIN } };
    int64_t until_ms = clock_steady_ms() + PATIENCE_MS;
    size_t length = 0;
    char block[16384];

    while (both[0].fd >= 0 || both[1].fd >= 0) {
        int64_t left_ms = until_ms - clock_steady_ms();

        if (left_ms <= 0 || poll(both, 2, (int)left_ms) == 0)
            return -ETIMEDOUT;
        for (int i = 0; i < 2; i++) {
            ssize_t got;

            if (both[i].fd < 0 || !both[i].revents)
                continue;
            got = read(both[i].fd, block, sizeof block);
            if (got <= 0) {
                both[i].fd = -1;
            } else if (i == 0) {
                text_add(out, block, (size_t)got);
                if (out->length > PAGE_MOST)
                    return -E2BIG;
            } else {
                size_t more = (size_t)got < SAID_MOST - length ? (size_t)got : SAID_MOST - length;

                memcpy(words + length, block, more);
                length += more;
                words[length] = '\0';
            }
        }
    }
    return 0;
}

/* The report's own style is let in by its hash; nothing else of the page is obeyed, and only our pages may frame it. */
void run_allow_style(struct job *job)
{
    static const char open[] = "<style>", close[] = "</style>";
    char *from = memmem(job->out.data, job->out.length, open, sizeof open - 1), *to;
    char hash[sodium_base64_ENCODED_LEN(crypto_hash_sha256_BYTES, sodium_base64_VARIANT_ORIGINAL)];
    unsigned char bytes[crypto_hash_sha256_BYTES];

    if (!from)
        return;
    from += sizeof open - 1;
    to = memmem(from, (size_t)(job->out.data + job->out.length - from), close, sizeof close - 1);
    if (!to)
        return;
    crypto_hash_sha256(bytes, (const unsigned char *)from, (unsigned long long)(to - from));
    sodium_bin2base64(hash, sizeof hash, bytes, sizeof bytes, sodium_base64_VARIANT_ORIGINAL);
    snprintf(job->policy, sizeof job->policy,
             "default-src 'none'; style-src 'sha256-%s'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'; "
             "sandbox",
             hash);
}

static void refuse(struct job *job, unsigned status, const char *why)
{
    job->status = status;
    why_write(&job->why, "%s", why);
}

/* Its first line without the program's name. */
static void refuse_with(struct job *job, char *words)
{
    char *colon = strstr(words, ": ");

    words[strcspn(words, "\n")] = '\0';
    refuse(job, 404, !*words ? "it failed without a word" : colon ? colon + 2 : words);
}

static void refuse_failure(struct job *job, int error, int status, char *words)
{
    if (error == -ETIMEDOUT)
        refuse(job, 504, "that took too long");
    else if (error)
        refuse(job, 504, "that is too long for a page");
    else if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
        refuse_with(job, words);
}

static void run(struct job *job, char *const arguments[], int in, const int page[2], const int said[2])
{
    char words[SAID_MOST + 1] = "";
    pid_t pid = 0;
    int status = 0, error = start(job, arguments, in, page[1], said[1], &pid);

    close(page[1]);
    close(said[1]);
    if (error) {
        job->status = 500;
        return;
    }
    error = gather(page[0], said[0], &job->out, words);
    if (error)
        kill(pid, SIGKILL);
    while (waitpid(pid, &status, 0) < 0 && errno == EINTR)
        ;
    refuse_failure(job, error, status, words);
}

bool run_program(struct job *job, char *const arguments[], const char *input)
{
    int page[2] = { -1, -1 }, said[2] = { -1, -1 }, in = input_of(input);

    if (in < 0 || pipe2(page, O_CLOEXEC) < 0 || pipe2(said, O_CLOEXEC) < 0) {
        refuse(job, 500, "too many files are open");
        if (page[1] >= 0)
            close(page[1]);
    } else {
        run(job, arguments, in, page, said);
    }
    for (int *fd = (int[]){ in, page[0], said[0], -1 }; *fd >= 0; fd++)
        close(*fd);
    return job->status == 200;
}
