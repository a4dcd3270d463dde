/* Where a bench lives; see poise/place.h. */
#include "poise/place.h"

#include <errno.h>
#include <limits.h>
#include <pwd.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static const char system_runtime[] = "/run/poise", system_data[] = "/var/lib/poise";
static const char service_user[] = "poise";

static const char *variable(const char *name)
{
    const char *value = getenv(name);

    return value && *value ? value : NULL;
}

/* There, or hidden from us: a folder that only its group may enter is there all the same. */
static bool is_there(const char *path)
{
    return access(path, F_OK) == 0 || errno == EACCES;
}

char *place_own_data(char *out, size_t size)
{
    const char *data = variable("XDG_DATA_HOME"), *home = variable("HOME");
    const struct passwd *user = home ? NULL : getpwuid(geteuid());

    if (data)
        snprintf(out, size, "%s/poise", data);
    else
        snprintf(out, size, "%s/.local/share/poise", home ? home : user ? user->pw_dir : "");
    return out;
}

static char *own_runtime(char *out, size_t size)
{
    const char *runtime = variable("XDG_RUNTIME_DIR");

    if (!runtime)
        return place_own_data(out, size);
    snprintf(out, size, "%s/poise", runtime);
    return out;
}

char *place_runtime(char *out, size_t size)
{
    const char *service = variable("RUNTIME_DIRECTORY");

    if (!service && geteuid() != 0)
        return own_runtime(out, size);
    snprintf(out, size, "%s", service ? service : system_runtime);
    return out;
}

char *place_data(char *out, size_t size)
{
    const char *service = variable("STATE_DIRECTORY");

    if (!service && geteuid() != 0)
        return place_own_data(out, size);
    snprintf(out, size, "%s", service ? service : system_data);
    return out;
}

static char *place_socket(const char *option, const char *environment, const char *name, char *out, size_t size)
{
    char folder[PLACE_FOLDER_SIZE], system[64];

    if (!option)
        option = variable(environment);
    snprintf(system, sizeof system, "%s/%s", system_runtime, name);
    if (option)
        snprintf(out, size, "%s", option);
    else if (variable("STATE_DIRECTORY") || geteuid() == 0
             || is_there(system)) /* a service may be up before poised is */
        snprintf(out, size, "ipc://%s", system);
    else
        snprintf(out, size, "ipc://%s/%s", own_runtime(folder, sizeof folder), name);
    return out;
}

char *place_bus(const char *option, char *out, size_t size)
{
    return place_socket(option, "POISE_BUS", "bus", out, size);
}

char *place_control(const char *option, char *out, size_t size)
{
    return place_socket(option, "POISE_CONTROL", "control", out, size);
}

char *place_store(const char *option, char *out, size_t size)
{
    if (!option)
        option = variable("POISE_STORE");
    if (!option)
        return place_own_store(out, size);
    snprintf(out, size, "%s", option);
    return out;
}

char *place_own_store(char *out, size_t size)
{
    const char *service = variable("STATE_DIRECTORY");
    char folder[PLACE_FOLDER_SIZE], system[64];

    snprintf(system, sizeof system, "%s/store.db", system_data);
    if (service)
        snprintf(out, size, "%s/store.db", service);
    else if (is_there(system))
        snprintf(out, size, "%s", system);
    else
        snprintf(out, size, "%s/store.db", place_own_data(folder, sizeof folder));
    return out;
}

const char *place_key(const char *option)
{
    return option ? option : variable("POISE_KEY");
}

/* ---- trust ---- */

static bool is_trusted(uid_t owner)
{
    const struct passwd *service = getpwnam(service_user);

    return owner == 0 || owner == geteuid() || (service && owner == service->pw_uid);
}

static int not_allowed(const char *path, struct why *why)
{
    return why_set(why, -EACCES,
                   "%s: you may not enter: join the group %s (sudo usermod -aG %s $USER) and log in again", path,
                   service_user, service_user);
}

static int strangers(const char *folder, struct why *why)
{
    return why_set(why, -EPERM, "%s: it belongs to another user, who could pose as the bench; name another folder",
                   folder);
}

/* One folder, or link, on the way: who owns it may put another in its place, and whoever may write into it too, unless
 * it is sticky.  `last`: the folder of the file itself, where sticky does not help: nothing is there to protect yet. */
static int step_trusted(const char *step, bool last, struct why *why)
{
    struct stat status;

    if (lstat(step, &status) < 0)
        return errno == EACCES ? not_allowed(step, why) : why_set(why, -errno, "%s: %s", step, strerror(errno));
    if (!is_trusted(status.st_uid))
        return strangers(step, why);
    if (S_ISDIR(status.st_mode) && (status.st_mode & S_IWOTH) && (last || !(status.st_mode & S_ISVTX)))
        return why_set(why, -EPERM,
                       "%s: any user may write to the folder, so any user could pose as the bench; "
                       "name another",
                       step);
    return 0;
}

/* Every step of an absolute path to a folder that is there. */
static int way_trusted(const char *folder, struct why *why)
{
    char step[PATH_MAX];
    int error = 0;

    for (const char *end = folder; error == 0 && end; end = strchr(end + 1, '/')) {
        size_t length = end == folder ? 1 : (size_t)(end - folder);

        snprintf(step, sizeof step, "%.*s", (int)length, folder);
        error = step_trusted(step, false, why);
        if (!end[1])
            return error ? error : step_trusted(folder, true, why);
    }
    return error ? error : step_trusted(folder, true, why);
}

/* The part before the last slash; "/" has none before it. */
static void go_up(char *path)
{
    char *slash = strrchr(path, '/');

    if (slash)
        slash[slash == path] = '\0';
}

int place_trusted(const char *path, struct why *why)
{
    char folder[PLACE_FOLDER_SIZE], real[PATH_MAX];
    struct stat status;
    int error;

    if (path[0] != '/' || strlen(path) >= sizeof folder)
        return why_set(why, -EINVAL, "%s: write a path from the root, of at most %d characters", path,
                       PLACE_FOLDER_SIZE - 1);
    strcpy(folder, path);
    do {
        go_up(folder);
        if (lstat(folder, &status) == 0)
            break;
        if (errno != ENOENT)
            return errno == EACCES ? not_allowed(folder, why) : why_set(why, -errno, "%s: %s", folder, strerror(errno));
    } while (folder[1]);
    if (!realpath(folder, real))
        return errno == EACCES ? not_allowed(folder, why) : why_set(why, -errno, "%s: %s", folder, strerror(errno));
    /* both as it is named, for a link may be turned, and as it is */
    if ((error = way_trusted(folder, why)) != 0 || (error = way_trusted(real, why)) != 0)
        return error;
    if (lstat(path, &status) == 0)
        return is_trusted(status.st_uid) ? 0 : strangers(path, why);
    return errno == EACCES   ? not_allowed(folder, why)
           : errno == ENOENT ? 0
                             : why_set(why, -errno, "%s: %s", path, strerror(errno));
}
