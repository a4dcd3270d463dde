/* Other programs, run to their end: poised beside this program, and those of the system. */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include "ctl.h"
#include "poise/program.h"

enum { NOT_FOUND = 127, OUTPUT_MOST = 1 << 20 /* far more than any of them prints */ };

/* The child's side: what it prints goes into the pipe, or to us when there is none. */
static void become(char *const arguments[], bool poised, int output, int said)
{
    int nothing = open("/dev/null", O_RDWR | O_CLOEXEC);

    prctl(PR_SET_PDEATHSIG, SIGTERM);
    if (nothing >= 0)
        dup2(nothing, STDIN_FILENO); /* the keys are ours */
    if (output >= 0)
        dup2(output, STDOUT_FILENO);
    if (said >= 0)
        dup2(said, STDERR_FILENO);
    if (poised)
        ctl_poised(arguments);
    else
        execvp(arguments[0], arguments);
    _exit(NOT_FOUND);
}

static void close_end(int *end)
{
    if (*end >= 0)
        close(*end);
    *end = -1;
}

/* Both pipes until both are closed, so that neither fills up while the other is waited for. */
static void take_in(int ends[2], struct text *const texts[2])
{
    char bytes[4096];

    while (ends[0] >= 0 || ends[1] >= 0) {
        struct pollfd polled[2] = { { .fd = ends[0], .events = POLLIN }, { .fd = ends[1], .events = POLLIN } };

        if (poll(polled, 2, -1) < 0 && errno != EINTR)
            break;
        for (int i = 0; i < 2; i++) {
            ssize_t got = polled[i].revents ? read(ends[i], bytes, sizeof bytes) : -1;

            if (got > 0 && texts[i] && texts[i]->length < OUTPUT_MOST)
                text_add(texts[i], bytes, (size_t)got);
            else if (got == 0 || (got < 0 && polled[i].revents && errno != EINTR && errno != EAGAIN))
                close_end(&ends[i]);
        }
    }
    close_end(&ends[0]);
    close_end(&ends[1]);
}

static int run(char *const arguments[], bool poised, struct text *output, struct text *said)
{
    struct text *const texts[2] = { output, said };
    int pipes[2][2] = { { -1, -1 }, { -1, -1 } }, ends[2], ended = 0;
    pid_t child = -1;

    if ((!output || pipe2(pipes[0], O_CLOEXEC) == 0) && (!said || pipe2(pipes[1], O_CLOEXEC) == 0))
        child = fork();
    if (child == 0)
        become(arguments, poised, pipes[0][1], pipes[1][1]);
    for (int i = 0; i < 2; i++) {
        close_end(&pipes[i][1]);
        ends[i] = pipes[i][0];
    }
    if (child < 0) {
        close_end(&ends[0]);
        close_end(&ends[1]);
        return -1;
    }
    take_in(ends, texts);
    while (waitpid(child, &ended, 0) < 0 && errno == EINTR)
        ;
    for (int i = 0; i < 2; i++)
        if (texts[i])
            text_add(texts[i], "", 1); /* an end for those who read it as a string */
    return WIFEXITED(ended) && WEXITSTATUS(ended) != NOT_FOUND ? WEXITSTATUS(ended) : -1;
}

int ctl_run(char *const arguments[], struct text *output, struct text *said)
{
    return run(arguments, false, output, said);
}

int ctl_run_poised(char *const arguments[], struct text *output, struct text *said)
{
    return run(arguments, true, output, said);
}

json_t *ctl_configuration(const char *file, struct text *said)
{
    char *arguments[] = { (char *)"poise-ctl", (char *)"--check-config",
                          (char *)"--json",    (char *)"--config",
                          (char *)file,        NULL };
    struct text output = { 0 };
    json_t *config = NULL;

    if (ctl_run_poised(arguments, &output, said) == EXIT_DONE && output.data)
        config = json_loads(output.data, 0, NULL);
    text_free(&output);
    return config;
}
