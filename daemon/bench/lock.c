/* Lock files and folders; see lock.h. */
#include "lock.h"

#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

static const char bench_group[] = "poise";

void give_to_group(const char *path)
{
    char memory[1024];
    struct group group, *found = NULL;
    struct stat status;

    if (getgrnam_r(bench_group, &group, memory, sizeof memory, &found) == 0 && found && stat(path, &status) == 0
        && status.st_gid != found->gr_gid && chown(path, (uid_t)-1, found->gr_gid) != 0)
        return; /* not ours to give: those who started us can listen, as before */
}

int folder_make_for(const char *path, struct why *why)
{
    char folder[512];

    if (snprintf(folder, sizeof folder, "%s", path) >= (int)sizeof folder)
        return why_set(why, -ENAMETOOLONG, "%s: the path is too long", path);
    for (char *slash = strchr(folder + 1, '/'); slash; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        if (mkdir(folder, 0750) == 0)
            give_to_group(folder);
        else if (errno != EEXIST)
            return why_set(why, -errno, "%s: cannot make the folder: %s", folder, strerror(errno));
        *slash = '/';
    }
    return 0;
}

int lock_take(const char *path, struct why *why)
{
    char name[600];
    int descriptor;
    int error;

    snprintf(name, sizeof name, "%s.lock", path);
    descriptor = open(name, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (descriptor < 0)
        return why_set(why, -errno, "%s: cannot open the lock file: %s", name, strerror(errno));
    if (flock(descriptor, LOCK_EX | LOCK_NB) == 0)
        return descriptor;
    error = errno == EWOULDBLOCK ? EBUSY : errno;
    close(descriptor);
    if (error == EBUSY)
        return why_set(why, -EBUSY,
                       "%s: another poised is using it; stop that one, or give this one its own "
                       "bus, control and journal",
                       path);
    return why_set(why, -error, "%s: cannot lock: %s", name, strerror(error));
}
