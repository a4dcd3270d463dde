/* poise-ctl doctor: from the cable to the store, the first thing that is wrong and the one command that mends it.
 * What lies behind it is not looked at: it could only be a consequence.  Changes nothing. */
#include <errno.h>
#include <grp.h>
#include <limits.h>
#include <math.h>
#include <pwd.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <time.h>
#include <unistd.h>

#include "ctl.h"
#include "poise/client.h"
#include "poise/place.h"
#include "poise/program.h"
#include "poise/store.h"

static const char default_file[] = "/etc/poise/poised.conf";

enum {
    ANSWER_WITHIN_MS = 3000,
    LOGGER_SILENT_S = 75, /* a logger asks at least once a minute, however quiet the bench is */
    BEHIND_S = 120,       /* it gathers for a second; a minute more is a bench that publishes little */
    CLOCK_OFF_S = 60      /* two clocks of one computer, and messages on their way */
};

/* Below it the end is near: a brew and its trace take 0.3 MB, three scales' journal 250 MB a day. */
static const uint64_t ROOM_LEAST = UINT64_C(256) << 20;

struct doctor {
    const struct ctl *ctl;
    const char *file;
    json_t *config, *instruments, *state, *health; /* NULL: not known */
    struct store *store;
    char store_path[512];
    char detail[1024], mend[1024]; /* of the check that runs */
};

/* What a check returns. */
enum { GOOD, WRONG };

/* Puts the sentence, and the command that mends it. */
static int __attribute__((format(printf, 3, 4))) wrong(struct doctor *doctor, const char *mend, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(doctor->detail, sizeof doctor->detail, format, arguments);
    va_end(arguments);
    snprintf(doctor->mend, sizeof doctor->mend, "%s", mend);
    return WRONG;
}

static int __attribute__((format(printf, 2, 3))) good(struct doctor *doctor, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(doctor->detail, sizeof doctor->detail, format, arguments);
    va_end(arguments);
    return GOOD;
}

/* ---- the configuration, and what it names ---- */

static int check_configuration(struct doctor *doctor)
{
    struct text said = { 0 };
    char mend[300];
    size_t count;

    if (access(doctor->file, F_OK) < 0)
        return good(doctor, "%s is not there, so USB scales that describe themselves are taken", doctor->file);
    doctor->config = ctl_configuration(doctor->file, &said);
    if (!doctor->config) {
        snprintf(mend, sizeof mend, "sudoedit %s && poised --check-config --config %s", doctor->file, doctor->file);
        if (said.data)
            said.data[strcspn(said.data, "\n")] = '\0'; /* the first mistake */
        wrong(doctor, mend, "%s", said.data && *said.data ? said.data : "poised cannot be run to read it");
        text_free(&said);
        return WRONG;
    }
    text_free(&said);
    count = json_array_size(json_object_get(doctor->config, "instruments"));
    return good(doctor, "%s, %zu instrument%s", doctor->file, count, count == 1 ? "" : "s");
}

/* A path that leads nowhere; USB is the bench's to find. */
static int check_device(struct doctor *doctor)
{
    int seen = 0;
    json_t *one;
    size_t i;

    json_array_foreach(json_object_get(doctor->config, "instruments"), i, one)
    {
        const char *port = ctl_text(one, "port");

        if (port[0] != '/')
            continue;
        if (access(port, F_OK) < 0)
            return wrong(
                doctor, "sudo poise-ctl setup",
                "%s: %s is not there.  Plug it in and switch it on; if it is, it has another name now, and setup "
                "finds it",
                ctl_text(one, "instrument"), port);
        seen++;
    }
    return good(doctor, seen ? "%d serial port%s there" : "no serial port is configured", seen,
                seen == 1 ? " is" : "s are");
}

/* ---- the bench ---- */

static bool in_list(gid_t wanted)
{
    gid_t groups[256];
    int count = getgroups(sizeof groups / sizeof *groups, groups);

    for (int i = 0; i < count; i++)
        if (groups[i] == wanted)
            return true;
    return getegid() == wanted;
}

static bool is_member(const char *user, const struct group *group)
{
    for (char **member = group->gr_mem; *member; member++)
        if (strcmp(*member, user) == 0)
            return true;
    return false;
}

static int check_group(struct doctor *doctor)
{
    const char *socket = strncmp(doctor->ctl->control, "ipc://", 6) == 0 ? doctor->ctl->control + 6 : NULL;
    const struct group *group = getgrnam("poise");
    const struct passwd *user = getpwuid(geteuid());
    const char *name = user ? user->pw_name : "you";
    char mend[128];

    if (!socket || access(socket, R_OK | W_OK) == 0 || errno != EACCES)
        return good(doctor, "%s may use the bench", name);
    if (group && is_member(name, group) && !in_list(group->gr_gid))
        return wrong(doctor, "newgrp poise",
                     "%s is in the group poise since after this login; log in again, or join it "
                     "in this shell",
                     name);
    snprintf(mend, sizeof mend, "sudo usermod -aG poise %s", name);
    return wrong(doctor, mend, "%s may not use the bench at %s; join the group poise and log in again", name, socket);
}

static int ask(struct client *client, const char *what, json_t **out, struct why *why)
{
    return client_ask(client, json_pack("{s:s}", "do", what), ANSWER_WITHIN_MS, out, why);
}

/* Everything that the bench reports of itself, in one go.  -EREMOTEIO: it does not know a question. */
static int ask_all(struct doctor *doctor, struct why *why)
{
    struct client_options options = { .bus = doctor->ctl->bus, .control = doctor->ctl->control };
    struct client *client;
    int error = client_open(&client, &options, why);

    if (error < 0)
        return error;
    error = ask(client, "instruments", &doctor->instruments, why);
    if (error == 0)
        error = ask(client, "status", &doctor->state, why);
    if (error == 0 && ask(client, "health", &doctor->health, why) < 0)
        doctor->health = NULL; /* an older poised: the next check */
    client_close(client);
    return error;
}

/* A bench may publish somewhere else than where this program looks; only a file that names a place is evidence. */
static bool looks_elsewhere(const struct doctor *doctor, char *mend, size_t size)
{
    const char *control = ctl_text(doctor->config, "control"), *bus = ctl_text(doctor->config, "bus");

    if (!*control || strstr(control, doctor->ctl->control))
        return false;
    snprintf(mend, size, "export POISE_BUS=%.*s POISE_CONTROL=%.*s", (int)strcspn(bus, ","), bus,
             (int)strcspn(control, ","), control);
    return access(control + (strncmp(control, "ipc://", 6) == 0 ? 6 : 0), F_OK) == 0;
}

static int check_bus(struct doctor *doctor)
{
    char mend[600];
    const char *socket = strncmp(doctor->ctl->control, "ipc://", 6) == 0 ? doctor->ctl->control + 6 : "";
    struct why why;
    int error = ask_all(doctor, &why);

    if (error == -EPERM || error == -EACCES || error == -EINVAL)
        return wrong(doctor, "sudo systemctl restart poised", "%s", why.text);
    if (error < 0 && looks_elsewhere(doctor, mend, sizeof mend))
        return wrong(doctor, mend, "the bench is at %s, and this program looks at %s",
                     ctl_text(doctor->config, "control"), doctor->ctl->control);
    if (error < 0 && *socket && access(socket, F_OK) < 0)
        return wrong(doctor, "sudo systemctl enable --now poised",
                     "poised does not run: there is no socket %s (why it ended: journalctl -u poised -n 5)", socket);
    if (error < 0)
        return wrong(doctor, "sudo systemctl restart poised", "%s", why.text);
    return good(doctor, "the bench answers at %s", doctor->ctl->control);
}

static int check_versions(struct doctor *doctor)
{
    const json_t *health = json_object_get(doctor->health, "health");
    const char *version = ctl_text(health, "version");

    if (strcmp(version, POISE_VERSION) == 0)
        return good(doctor, "poised and poise-ctl are %s", POISE_VERSION);
    return wrong(
        doctor, "sudo systemctl restart poised poise-logger",
        "the poised that runs is %s%s, and this poise-ctl %s: they do not fit.  After an upgrade the services are "
        "started again",
        *version ? "" : "older than ", *version ? version : POISE_VERSION, POISE_VERSION);
}

/* ---- instruments ---- */

/* One look at every instrument; the first that is wrong is the one that counts. */
static int each_instrument(struct doctor *doctor, int (*look)(struct doctor *doctor, const json_t *one),
                           const char *all_good)
{
    json_t *one;
    size_t i;

    json_array_foreach(json_object_get(doctor->instruments, "instruments"), i, one)
    {
        if (look(doctor, one) == WRONG)
            return WRONG;
    }
    return good(doctor, "%s", all_good);
}

static bool is_in(const json_t *one, const char *condition)
{
    return strcmp(ctl_text(one, "condition"), condition) == 0;
}

static int look_seen(struct doctor *doctor, const json_t *one)
{
    if (!is_in(one, "searching") && !is_in(one, "lost"))
        return GOOD;
    return wrong(doctor, "poise-ctl instruments", "%s: %s is not there; plug it in and switch it on%s%s",
                 ctl_text(one, "instrument"), ctl_text(one, "port"), *ctl_text(one, "detail") ? ": " : "",
                 ctl_text(one, "detail"));
}

static int check_seen(struct doctor *doctor)
{
    if (json_array_size(json_object_get(doctor->instruments, "instruments")) == 0)
        return wrong(doctor, "sudo poise-ctl setup",
                     "the bench has no instrument: none is configured, and no USB scale "
                     "describes itself");
    return each_instrument(doctor, look_seen, "every instrument is plugged in");
}

static int look_permitted(struct doctor *doctor, const json_t *one)
{
    const char *detail = ctl_text(one, "detail");

    if (!is_in(one, "refused") || (!strstr(detail, "permission") && !strstr(detail, "not allowed")))
        return GOOD;
    return wrong(doctor, "sudo usermod -aG dialout poise && sudo systemctl restart poised",
                 "%s: poised may not open %s: %s", ctl_text(one, "instrument"), ctl_text(one, "port"), detail);
}

static int look_settings(struct doctor *doctor, const json_t *one)
{
    char mend[300];

    if (!is_in(one, "refused"))
        return GOOD;
    snprintf(mend, sizeof mend, "sudoedit %s && sudo systemctl reload poised", doctor->file);
    return wrong(doctor, mend, "%s: %s cannot be opened as the configuration has it: %s", ctl_text(one, "instrument"),
                 ctl_text(one, "port"), ctl_text(one, "detail"));
}

static int64_t rejected(const json_t *one)
{
    const char *reason;
    int64_t sum = 0;
    json_t *count;

    json_object_foreach(json_object_get(one, "rejects"), reason, count) if (strcmp(reason, "first") != 0) sum +=
        json_integer_value(count);
    return sum;
}

static bool has_shown(const json_t *one)
{
    return *ctl_text(one, "status") != '\0';
}

static int check_permission(struct doctor *doctor)
{
    return each_instrument(doctor, look_permitted, "poised may open every port");
}

static int check_settings(struct doctor *doctor)
{
    return each_instrument(doctor, look_settings, "every port has the settings of the configuration");
}

/* An instrument that shows when its key is pressed is not silent: a refractometer at rest. */
static bool sends_by_itself(const json_t *one)
{
    return strcmp(ctl_text(one, "quantity"), "mass") == 0;
}

static int look_bytes(struct doctor *doctor, const json_t *one)
{
    if (!sends_by_itself(one) || rejected(one) > 0 || (has_shown(one) && !is_in(one, "silent")))
        return GOOD;
    return wrong(
        doctor, "poise-ctl instruments",
        "%s: nothing %s.  Switch it on, and set it to send all the time (manuals call it continuous, stream or "
        "auto print)",
        ctl_text(one, "instrument"), has_shown(one) ? "comes any more" : "has come since its port was opened");
}

static int look_decoded(struct doctor *doctor, const json_t *one)
{
    char mend[400];

    if (has_shown(one) && !is_in(one, "flooded") && !is_in(one, "silent"))
        return GOOD;
    if (!has_shown(one) && rejected(one) == 0)
        return GOOD; /* it waits for its key */
    snprintf(mend, sizeof mend, "sudo systemctl stop poised; poise-ctl probe %s; sudo systemctl start poised",
             ctl_text(one, "port"));
    return wrong(doctor, mend,
                 "%s: bytes come, and none of them makes sense (%lld rejected): speed or layout is another than the "
                 "configuration has",
                 ctl_text(one, "instrument"), (long long)rejected(one));
}

static int check_bytes(struct doctor *doctor)
{
    return each_instrument(doctor, look_bytes, "every scale sends");
}

static int check_decoded(struct doctor *doctor)
{
    return each_instrument(doctor, look_decoded, "what arrives makes sense");
}

static int check_station(struct doctor *doctor)
{
    const json_t *stations = json_object_get(ctl_state(doctor->state), "stations"),
                 *first = json_array_get(stations, 0);
    const char *without = NULL;
    char mend[600];
    json_t *one;
    size_t i;

    /* one scale that has a station suffices: another may weigh beans */
    json_array_foreach(json_object_get(doctor->instruments, "instruments"), i, one)
    {
        if (strcmp(ctl_text(one, "quantity"), "mass") != 0)
            continue;
        if (*ctl_text(one, "station"))
            return good(doctor, "%s stands at %s", ctl_text(one, "instrument"), ctl_text(one, "station"));
        if (!without)
            without = ctl_text(one, "instrument");
    }
    if (!without)
        return wrong(doctor, "sudo poise-ctl setup", "no scale is among the instruments, so no brew can be followed");
    snprintf(mend, sizeof mend, "sudo sed -i '/^\\[instrument %s\\]/a station = %s' %s && sudo systemctl reload poised",
             without, *ctl_text(first, "station") ? ctl_text(first, "station") : "bench", doctor->file);
    return wrong(doctor, mend, "%s is read and stands at no station, so no brew is followed on it", without);
}

static int look_weight(struct doctor *doctor, const json_t *one)
{
    if (strcmp(ctl_text(one, "quantity"), "mass") != 0 || !*ctl_text(one, "station")
        || strcmp(ctl_text(one, "status"), "ok") == 0)
        return GOOD;
    return wrong(doctor, "poise-ctl zero",
                 "%s shows %s and no weight, so no brew is followed: take everything off it, and set its zero",
                 ctl_text(one, "instrument"), ctl_text(one, "status"));
}

static int check_tracked(struct doctor *doctor)
{
    const json_t *stations = json_object_get(ctl_state(doctor->state), "stations");
    json_t *one;
    size_t i;

    if (each_instrument(doctor, look_weight, "") == WRONG)
        return WRONG;
    json_array_foreach(stations, i, one)
    {
        if (!isnan(ctl_value(one, "load_g")))
            return good(doctor, "%s: %.1f g on the scale, %s", ctl_text(one, "station"), ctl_value(one, "load_g"),
                        ctl_text(one, "stage"));
    }
    return wrong(doctor, "poise-ctl watch reading", "no station knows yet what stands on its scale");
}

/* ---- the store ---- */

/* The service manager knows at once; the bench only when the logger does not ask again. */
static bool service_is_off(const struct doctor *doctor)
{
    char *arguments[] = { (char *)"systemctl", (char *)"show",        (char *)"-p",           (char *)"LoadState",
                          (char *)"-p",        (char *)"ActiveState", (char *)"poise-logger", NULL };
    struct text output = { 0 }, said = { 0 };
    bool off = false;

    if (strncmp(doctor->ctl->control, "ipc:///run/poise/", 17) == 0 && ctl_run(arguments, &output, &said) == 0
        && output.data)
        off = strstr(output.data, "LoadState=loaded")
              && (strstr(output.data, "ActiveState=inactive") || strstr(output.data, "ActiveState=failed"));
    text_free(&output);
    text_free(&said);
    return off;
}

static int check_logger(struct doctor *doctor)
{
    const json_t *readers = json_object_get(json_object_get(doctor->health, "health"), "readers");
    static const char mend[] = "sudo systemctl enable --now poise-logger";
    double least_s = INFINITY;
    json_t *one;
    size_t i;

    if (service_is_off(doctor))
        return wrong(doctor, mend,
                     "the service poise-logger does not run, and no brew is saved (why it ended: journalctl "
                     "-u poise-logger -n 5)");
    json_array_foreach(readers, i, one) least_s = fmin(least_s, ctl_value(one, "silent_s"));
    if (!(least_s <= LOGGER_SILENT_S))
        return wrong(doctor, mend,
                     isinf(least_s) ? "poise-logger does not run: it has not reported since poised "
                                      "started, and no brew is saved"
                                    : "poise-logger does not run: it has not reported for %.0f s, and no "
                                      "brew is saved",
                     least_s);
    return good(doctor, "poise-logger reported %.0f s ago", least_s);
}

static int check_store(struct doctor *doctor)
{
    struct why why;
    int error = store_open(&doctor->store, doctor->store_path, STORE_READ, &why);

    if (error == 0)
        return good(doctor, "%s can be read", doctor->store_path);
    doctor->store = NULL;
    if (error == -EPROTO)
        return wrong(doctor, "sudo apt-get install --only-upgrade poise", "%s", why.text);
    if (error == -ENOENT)
        return wrong(doctor, "sudo systemctl restart poise-logger",
                     "%s is not there: does the logger keep another file (--store, POISE_STORE)?", doctor->store_path);
    return wrong(doctor, "sudo systemctl restart poise-logger", "%s", why.text);
}

/* By the messages' own times: 0 where the store does not know this bench. */
static bool heard_us(struct doctor *doctor, int64_t *out)
{
    struct why why;
    uint64_t seq;

    return store_resume(doctor->store, ctl_text(ctl_state(doctor->state), "bench"), &seq, out, &why) == 0;
}

/* The UTC of the last message that the bench gave a number; 0: it cannot be known. */
static int64_t last_us(const struct doctor *doctor)
{
    json_int_t last = json_integer_value(json_object_get(json_object_get(doctor->health, "health"), "last"));
    struct client_options options = { .bus = doctor->ctl->bus, .control = doctor->ctl->control };
    struct client *client;
    json_t *reply = NULL;
    int64_t time_us = 0;
    struct why why;

    if (last < 1 || client_open(&client, &options, &why) < 0)
        return 0;
    if (client_ask(client, json_pack("{s:s, s:I}", "do", "since", "seq", last - 1), ANSWER_WITHIN_MS, &reply, &why)
        == 0)
        time_us = json_integer_value(
            json_object_get(json_array_get(json_array_get(json_object_get(reply, "messages"), 0), 1), "time_us"));
    json_decref(reply);
    client_close(client);
    return time_us;
}

static int check_caught_up(struct doctor *doctor)
{
    int64_t has_us = 0, reported_us = last_us(doctor);
    double behind_s;

    if (!heard_us(doctor, &has_us))
        return wrong(doctor, "sudo systemctl restart poise-logger", "%s does not report how far it has come",
                     doctor->store_path);
    behind_s = reported_us > 0 ? (double)(reported_us - has_us) / 1e6 : 0;
    if (behind_s > BEHIND_S && has_us == 0)
        return wrong(doctor, "sudo systemctl restart poise-logger", "%s has nothing of this bench yet",
                     doctor->store_path);
    if (behind_s > BEHIND_S)
        return wrong(doctor, "sudo systemctl restart poise-logger",
                     "the store is %.0f s behind the bench; nothing is lost, the journal has it (why: journalctl -u "
                     "poise-logger -n 5)",
                     behind_s);
    return good(doctor, "the store has all that was published");
}

/* ---- the computer ---- */

static bool room_of(const char *path, uint64_t *bytes, char folder[PATH_MAX])
{
    struct statvfs found;
    char *slash;

    snprintf(folder, PATH_MAX, "%s", path);
    if ((slash = strrchr(folder, '/')) && slash != folder)
        *slash = '\0';
    if (statvfs(folder, &found) < 0)
        return false;
    *bytes = (uint64_t)found.f_bavail * found.f_frsize;
    return true;
}

static int check_disk(struct doctor *doctor)
{
    const char *paths[] = { ctl_text(json_object_get(doctor->health, "health"), "journal"), doctor->store_path };
    uint64_t least = UINT64_MAX, room;
    char folder[PATH_MAX];

    for (int i = 0; i < 2; i++) {
        if (!*paths[i] || !room_of(paths[i], &room, folder))
            continue;
        if (room < ROOM_LEAST)
            return wrong(doctor, "sudo journalctl --vacuum-size=200M && sudo apt-get clean",
                         "the disk of %s has %llu MB left: %s", folder, (unsigned long long)(room >> 20),
                         room == 0 ? "nothing can be saved any more" : "a day of readings may fill it");
        least = room < least ? room : least;
    }
    return good(doctor, "%llu MB are free", (unsigned long long)(least >> 20));
}

static int check_clock(struct doctor *doctor)
{
    static const char mend[] = "sudo timedatectl set-ntp true";
    const json_t *health = json_object_get(doctor->health, "health");
    int64_t now_us = (int64_t)time(NULL) * 1000000, bench_us = json_integer_value(json_object_get(health, "time_us"));
    int64_t has_us = 0;
    double ahead_s;

    if (ctl_value(health, "rate") > 1)
        return good(doctor, "the bench's clock runs %.0f times as fast, for a demonstration",
                    ctl_value(health, "rate"));
    if (heard_us(doctor, &has_us) && (ahead_s = ((double)has_us - (double)now_us) / 1e6) > CLOCK_OFF_S)
        return wrong(doctor, mend, "this computer's clock is wrong: the store has a message from %.0f s in its future",
                     ahead_s);
    if (fabs((double)bench_us - (double)now_us) > CLOCK_OFF_S * 1e6)
        return wrong(doctor, "sudo systemctl restart poised", "the bench's clock and this computer's are %.0f s apart",
                     fabs((double)bench_us - (double)now_us) / 1e6);
    return good(doctor, "the clock agrees with the store");
}

/* ---- all of it ---- */

/* From the cable to the store; each relies on those before it. */
static const struct {
    const char *name;
    int (*look)(struct doctor *doctor);
} checks[] = {
    { "configuration", check_configuration },
    { "device", check_device },
    { "group", check_group },
    { "bus", check_bus },
    { "versions", check_versions },
    { "plugged in", check_seen },
    { "permission", check_permission },
    { "settings", check_settings },
    { "bytes", check_bytes },
    { "decoded", check_decoded },
    { "station", check_station },
    { "tracked", check_tracked },
    { "logger", check_logger },
    { "store", check_store },
    { "caught up", check_caught_up },
    { "disk", check_disk },
    { "clock", check_clock },
};

static void print_json(const struct doctor *doctor, const char *name, int result)
{
    json_t *line = json_pack("{s:s, s:b, s:s, s:s*}", "check", name, "good", result == GOOD, "detail", doctor->detail,
                             "mend", result == GOOD ? NULL : doctor->mend);

    if (line)
        ctl_print_json(line);
    json_decref(line);
}

/* Columns of the terminal; 0: none is written to, and a line stays one. */
static size_t columns(void)
{
    struct winsize size;

    return isatty(STDOUT_FILENO) && ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 40 ? size.ws_col : 0;
}

static void print_check(const struct doctor *doctor, const char *name, int result)
{
    enum { INDENT = 22 };
    char detail[sizeof doctor->detail];
    size_t width = columns(), room = width > INDENT ? width - INDENT : sizeof detail;

    printf("%-14s %s  ", name, result == GOOD ? "good " : "WRONG");
    if (!*ctl_printable(doctor->detail, detail, sizeof detail))
        putchar('\n');
    for (const char *at = detail; *at;) {
        size_t length = strlen(at), end = length;

        if (length > room) {
            for (end = room; end > 0 && at[end] != ' '; end--)
                ;
            end = end ? end : room; /* a word that is longer than the line */
        }
        printf("%.*s\n", (int)end, at);
        at += end;
        at += strspn(at, " ");
        if (*at)
            printf("%*s", INDENT, "");
    }
}

int command_doctor(const struct ctl *ctl)
{
    struct doctor doctor = { .ctl = ctl, .file = ctl->config ? ctl->config : default_file };
    int result = GOOD, done = 0;

    snprintf(doctor.store_path, sizeof doctor.store_path, "%s", ctl->store);
    for (; done < (int)(sizeof checks / sizeof *checks) && result == GOOD; done++) {
        char mend[sizeof doctor.mend];

        doctor.detail[0] = doctor.mend[0] = '\0';
        result = checks[done].look(&doctor);
        if (ctl->json) {
            print_json(&doctor, checks[done].name, result);
            continue;
        }
        print_check(&doctor, checks[done].name, result);
        if (result == WRONG)
            printf("\nWhat mends it:\n    %s\n", ctl_printable(doctor.mend, mend, sizeof mend));
    }
    if (result == GOOD && !ctl->json)
        puts("\nAll is well, from the cable to the store.");
    store_close(doctor.store);
    json_decref(doctor.config);
    json_decref(doctor.instruments);
    json_decref(doctor.state);
    json_decref(doctor.health);
    return result == GOOD ? EXIT_DONE : EXIT_FAILED;
}
