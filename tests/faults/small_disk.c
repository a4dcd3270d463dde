/* A disk that has little room left, for the test of the doctor: loaded before the C library (LD_PRELOAD), it lets
 * statvfs find as many megabytes free as SMALL_DISK says. */
#include <dlfcn.h>
#include <stdlib.h>
#include <sys/statvfs.h>

int statvfs(const char *path, struct statvfs *out)
{
    int (*next)(const char *, struct statvfs *) = dlsym(RTLD_NEXT, "statvfs");
    const char *megabytes = getenv("SMALL_DISK");
    int result = next(path, out);

    if (result == 0 && megabytes)
        out->f_bavail = (strtoul(megabytes, NULL, 10) << 20) / out->f_frsize;
    return result;
}
