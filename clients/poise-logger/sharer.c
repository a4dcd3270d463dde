/* Starting and watching a poise-share; see sharer.h. */
#include "sharer.h"

#include <errno.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <spawn.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "poise/clock.h"
#include "poise/program.h"

extern char **environ;

/* One that crashes sooner than that would only crash again. */
static const int64_t STEADY_MS = 60000;

static struct {
    char program[PATH_MAX];
    const char *address, *store;
    pthread_t thread; /* waits for it */
    bool started;
    pthread_mutex_t lock; /* over the next */
    pid_t process;        /* 0: none */
    _Atomic bool stop;
} sharer = { .lock = PTHREAD_MUTEX_INITIALIZER };

/* Beside this program, where it was installed or built. */
static void find_program(void)
{
    ssize_t length = readlink("/proc/self/exe", sharer.program, sizeof sharer.program - sizeof "poise-share");
    char *slash;

    if (length < 0)
        length = 0;
    sharer.program[length] = '\0';
    slash = strrchr(sharer.program, '/');
    strcpy(slash ? slash + 1 : sharer.program, "poise-share");
}

static int spawn(void)
{
    /* a program's arguments are not constant by their type, and are not changed */
    const char *const arguments[] = { "poise-share", "--with-parent", "--to", sharer.address,
                                      "--store",     sharer.store,    NULL };
    posix_spawnattr_t attributes;
    sigset_t none;
    int error = 0;

    sigemptyset(&none);
    posix_spawnattr_init(&attributes);
    posix_spawnattr_setsigmask(&attributes, &none); /* ours are blocked */
    posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK);
    pthread_mutex_lock(&sharer.lock);
    if (!sharer.stop)
        error = posix_spawn(&sharer.process, sharer.program, NULL, &attributes, (char *const *)arguments, environ);
    if (error)
        sharer.process = 0;
    pthread_mutex_unlock(&sharer.lock);
    posix_spawnattr_destroy(&attributes);
    return error;
}

/* Until it ends; its status. */
static int wait_for_it(void)
{
    siginfo_t ended;
    int status = 0;

    /* left as it is until nobody can send a signal to its number any more */
    while (waitid(P_PID, (id_t)sharer.process, &ended, WEXITED | WNOWAIT) != 0 && errno == EINTR)
        ;
    pthread_mutex_lock(&sharer.lock);
    waitpid(sharer.process, &status, 0);
    sharer.process = 0;
    pthread_mutex_unlock(&sharer.lock);
    return status;
}

/* The child ends when this thread does, as Linux counts parents. */
static void *watch(void *context)
{
    int64_t began_ms;
    int status = 0, error;

    (void)context;
    do {
        began_ms = clock_steady_ms();
        if ((error = spawn()) != 0)
            program_message("%s: cannot be started: %s", sharer.program, strerror(error));
        else if (!sharer.stop)
            status = wait_for_it();
    } while (!error && !sharer.stop && WIFSIGNALED(status) && clock_steady_ms() - began_ms > STEADY_MS);
    if (!sharer.stop)
        program_message("poise-share has ended: brews are saved here and not sent until this program is started again");
    return NULL;
}

int sharer_start(const char *address, const char *store, struct why *why)
{
    int error;

    find_program();
    sharer.address = address;
    sharer.store = store;
    if ((error = pthread_create(&sharer.thread, NULL, watch, NULL)) != 0)
        return why_set(why, -error, "no thread for poise-share: %s", strerror(error));
    sharer.started = true;
    return 0;
}

void sharer_stop(void)
{
    if (!sharer.started)
        return;
    pthread_mutex_lock(&sharer.lock);
    sharer.stop = true;
    if (sharer.process)
        kill(sharer.process, SIGTERM);
    pthread_mutex_unlock(&sharer.lock);
    pthread_join(sharer.thread, NULL);
    sharer.started = false;
}
