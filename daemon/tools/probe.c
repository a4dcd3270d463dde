/* Listens to serial ports at the usual settings, and gives each back as it was found.  What makes sense of the
 * bytes is judged in probe_score.c, what is said of it stands in probe_print.c. */
#include "poise/clock.h"
#include "probe_parts.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "poise/program.h"
#include "transport/serial.h"

/* Met at instruments, the commonest first (common practice, no source). */
static const char *const line_settings[] = { "9600 8N1", "4800 8N1", "9600 7E1", "2400 7E1", "1200 7O1" };

/* 19200 8E1 is what MODBUS over Serial Line 1.02, 2.5.1, expects of every device; the rest is common practice. */
static const char *const modbus_settings[] = { "9600 8N1", "19200 8E1", "9600 8E1" };

enum {
    ANSWER_MS = 1000 /* "typically 1 s to several seconds at 9600", MODBUS over Serial Line 1.02, 2.4.1 */
};

static volatile sig_atomic_t stopped;
static sigset_t while_waiting; /* blocked then; only then may one of ours come, or it would be missed just before */

static void on_stop(int number)
{
    stopped = number;
}

static int wait_for(struct pollfd *polled, int count, int64_t until_ms)
{
    int64_t most_ms = until_ms - clock_steady_ms();
    struct timespec most = { .tv_sec = most_ms > 0 ? most_ms / 1000 : 0,
                             .tv_nsec = most_ms > 0 ? most_ms % 1000 * 1000000 : 0 };

    return ppoll(polled, (nfds_t)count, &most, &while_waiting);
}

/* --- who holds a port --------------------------------------------------------------------------------- */

static void name_of_process(const char *pid, char *out, size_t size)
{
    char path[PATH_MAX];
    FILE *file;

    snprintf(path, sizeof path, "/proc/%s/comm", pid);
    file = fopen(path, "re");
    if (!file || !fgets(out, (int)size, file))
        snprintf(out, size, "a program");
    out[strcspn(out, "\n")] = '\0';
    if (file)
        fclose(file);
}

/* A container has pseudo-terminals of its own, with the same numbers: they are the same only in the same folder. */
static bool same_device(const struct stat *port, const struct stat *found)
{
    return S_ISCHR(found->st_mode) && found->st_rdev == port->st_rdev
           && (found->st_dev == port->st_dev || !serial_is_pseudo(port->st_rdev));
}

static bool process_holds(const char *pid, const struct stat *port)
{
    char path[PATH_MAX];
    struct dirent *entry;
    struct stat found;
    bool holds = false;
    DIR *folder;

    snprintf(path, sizeof path, "/proc/%s/fd", pid);
    folder = opendir(path);
    while (folder && !holds && (entry = readdir(folder)))
        holds = fstatat(dirfd(folder), entry->d_name, &found, 0) == 0 && same_device(port, &found);
    if (folder)
        closedir(folder);
    return holds;
}

/* A program that has the port open and took no lock is found here, as far as we may look, before the port is
 * touched; one that did take a lock is found by serial_open. */
static bool is_held(const char *path, struct why *why)
{
    struct dirent *entry;
    struct stat port;
    char name[64];
    bool held = false;
    DIR *processes;

    if (stat(path, &port) < 0 || !S_ISCHR(port.st_mode) || !(processes = opendir("/proc")))
        return false;
    while (!held && (entry = readdir(processes))) {
        held = entry->d_name[0] >= '1' && entry->d_name[0] <= '9' && atoi(entry->d_name) != getpid()
               && process_holds(entry->d_name, &port);
        if (held) {
            name_of_process(entry->d_name, name, sizeof name);
            why_set(why, -EBUSY, "it is in use by %s (process %s) and is left alone", name, entry->d_name);
        }
    }
    closedir(processes);
    return held;
}

/* --- listening ---------------------------------------------------------------------------------------- */

static bool is_done(const struct probed *port)
{
    return port->verdict != PROBE_SILENT && port->verdict != PROBE_UNCLEAR && !port->better_wanted;
}

static void give_up(struct probed *port, enum probe_verdict verdict, const char *sentence)
{
    port->verdict = verdict;
    port->better_wanted = false;
    why_set(&port->why, 0, "%s", sentence);
}

/* Remembers how the port is; what cannot be opened is explained when it is tried in earnest. */
static void keep_port(struct probed *port)
{
    struct why why;

    port->kept = is_held(port->path, &why) ? -1 : open(port->path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port->kept < 0)
        return;
    if (flock(port->kept, LOCK_EX | LOCK_NB) < 0 || tcgetattr(port->kept, &port->found) < 0
        || serial_hush(port->kept, &port->found) < 0) {
        close(port->kept);
        port->kept = -1;
        return;
    }
    flock(port->kept, LOCK_UN); /* serial_open takes it for itself */
}

static void give_back(struct probed *port)
{
    if (port->kept < 0)
        return;
    tcsetattr(port->kept, TCSANOW, &port->found);
    close(port->kept);
}

/* A port that cannot have these settings may have others; any other failure is the last word. */
static void open_port(struct probed *port, const char *settings)
{
    struct serial_settings wanted;
    struct why why;
    int error;

    port->length = 0;
    if (is_done(port))
        return;
    if (is_held(port->path, &why)) {
        give_up(port, PROBE_IN_USE, why.text);
        return;
    }
    error = serial_settings_parse(settings, &wanted, &why);
    if (error == 0)
        error = serial_open(&port->serial, port->path, &wanted, &why);
    if (error == -EBUSY)
        give_up(port, PROBE_IN_USE, why.text);
    else if (error < 0 && error != -EIO)
        give_up(port, PROBE_CANNOT_OPEN, why.text);
    else if (error < 0)
        port->why = why;
}

static void close_port(struct probed *port)
{
    serial_close(port->serial);
    port->serial = NULL;
}

static void take_score(struct probed *port, const struct probe_score *score, const char *settings)
{
    if (port->verdict == PROBE_UNDERSTOOD && !probe_better(score, &port->score))
        return;
    port->verdict = PROBE_UNDERSTOOD;
    port->score = *score;
    port->settings = settings;
    port->better_wanted = !probe_settled(score);
}

static void read_port(struct probed *port, const char *settings)
{
    ssize_t got = read(serial_fd(port->serial), port->bytes + port->length, sizeof port->bytes - port->length);
    struct probe_score score;

    if (got < 0 && (errno == EAGAIN || errno == EINTR))
        return;
    if (got <= 0) {
        if (port->verdict != PROBE_UNDERSTOOD)
            give_up(port, PROBE_CANNOT_OPEN, "it was unplugged while it was listened to");
        port->better_wanted = false;
        close_port(port);
        return;
    }
    port->length += (size_t)got;
    port->arrived += (size_t)got;
    if (port->verdict == PROBE_SILENT)
        port->verdict = PROBE_UNCLEAR;
    if (port->verdict == PROBE_UNCLEAR && port->length > strlen(port->heard)) /* the most of any settings */
        probe_words(port->bytes, port->length < sizeof port->heard / 4 ? port->length : sizeof port->heard / 4,
                    port->heard, sizeof port->heard);
    if (probe_line(port->bytes, port->length, &score) == 0)
        take_score(port, &score, settings);
    if (is_done(port) || port->length == sizeof port->bytes) /* so much says nothing new */
        close_port(port);
}

/* Until the time is over or every port has said enough. */
static void listen(struct probed *ports, int count, const char *settings, int64_t until_ms)
{
    struct pollfd polled[PROBE_PORTS_MOST];
    struct probed *of[PROBE_PORTS_MOST];

    while (!stopped) {
        int open = 0;

        for (int i = 0; i < count; i++)
            if (ports[i].serial) {
                of[open] = &ports[i];
                polled[open++] = (struct pollfd){ .fd = serial_fd(ports[i].serial), .events = POLLIN };
            }
        if (open == 0 || clock_steady_ms() >= until_ms || (wait_for(polled, open, until_ms) < 0 && errno != EINTR))
            return;
        for (int i = 0; i < open; i++)
            if (polled[i].revents)
                read_port(of[i], settings);
    }
}

/* --- asking ------------------------------------------------------------------------------------------- */

/* One question, and what comes within the time for an answer; a whole answer ends the wait. */
static bool ask(struct probed *port, const char *settings)
{
    struct probe_score score;
    uint8_t question[16];
    int length = probe_modbus_question(question, sizeof question);
    int64_t until_ms = clock_steady_ms() + ANSWER_MS;

    if (length <= 0 || write(serial_fd(port->serial), question, (size_t)length) != length)
        return false;
    while (!stopped && clock_steady_ms() < until_ms && port->length < sizeof port->bytes) {
        struct pollfd polled = { .fd = serial_fd(port->serial), .events = POLLIN };
        ssize_t got;

        if (wait_for(&polled, 1, until_ms) <= 0)
            continue;
        got = read(polled.fd, port->bytes + port->length, sizeof port->bytes - port->length);
        if (got == 0 || (got < 0 && errno != EAGAIN && errno != EINTR))
            return false;
        port->length += got > 0 ? (size_t)got : 0;
        if (probe_modbus(port->bytes, port->length, &score) == 0) {
            take_score(port, &score, settings);
            port->better_wanted = false;
            return true;
        }
    }
    return false;
}

static void ask_port(struct probed *port)
{
    bool answered = false;

    for (size_t i = 0; !answered && !stopped && i < sizeof modbus_settings / sizeof *modbus_settings; i++) {
        open_port(port, modbus_settings[i]);
        if (!port->serial)
            continue;
        answered = ask(port, modbus_settings[i]);
        close_port(port);
    }
}

/* --- all of it ---------------------------------------------------------------------------------------- */

static void probe_all(struct probed *ports, int count, const struct probe_options *options)
{
    for (int i = 0; i < count; i++)
        keep_port(&ports[i]);
    for (size_t s = 0; s < sizeof line_settings / sizeof *line_settings && !stopped; s++) {
        for (int i = 0; i < count; i++)
            open_port(&ports[i], line_settings[s]);
        listen(ports, count, line_settings[s], clock_steady_ms() + (int64_t)(options->seconds * 1000));
        for (int i = 0; i < count; i++)
            close_port(&ports[i]);
    }
    for (int i = 0; i < count && options->ask; i++)
        if (ports[i].verdict == PROBE_SILENT || ports[i].verdict == PROBE_UNCLEAR)
            ask_port(&ports[i]);
    for (int i = 0; i < count; i++)
        give_back(&ports[i]);
}

/* Ctrl-C gives the ports back too. */
static void catch_signals(void)
{
    static const int numbers[] = { SIGINT, SIGTERM, SIGHUP };
    struct sigaction action = { .sa_handler = on_stop };
    sigset_t blocked;

    sigemptyset(&blocked);
    for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++) {
        sigaction(numbers[i], &action, NULL);
        sigaddset(&blocked, numbers[i]);
    }
    sigprocmask(SIG_BLOCK, &blocked, &while_waiting);
    signal(SIGPIPE, SIG_IGN);
}

static int probe_ports(char **paths, int count, const struct probe_options *options)
{
    struct probed *ports;
    int understood = 0;

    if (count > PROBE_PORTS_MOST) {
        program_message("%d serial ports are more than %d: name those that you mean", count, PROBE_PORTS_MOST);
        return EXIT_FAILED;
    }
    ports = calloc((size_t)count + 1, sizeof *ports);
    if (!ports) {
        program_message("no memory to listen to %d ports", count);
        return EXIT_FAILED;
    }
    for (int i = 0; i < count; i++)
        ports[i].path = paths[i];
    catch_signals();
    probe_all(ports, count, options);
    if (stopped)
        program_message("stopped; the ports are as they were");
    else
        understood = probe_print(ports, count, options);
    free(ports);
    return understood > 0 ? EXIT_DONE : EXIT_FAILED;
}

int probe_run(const struct probe_options *options)
{
    char **list = NULL;
    struct why why;
    int count = 0, status;

    if (options->port_count > 0)
        return probe_ports(options->ports, options->port_count, options);
    if (serial_list(&list, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    while (list[count])
        count++;
    if (count == 0)
        program_message("this computer has no serial port; is the instrument plugged in?");
    status = count == 0 ? EXIT_FAILED : probe_ports(list, count, options);
    serial_list_free(list);
    return status;
}
