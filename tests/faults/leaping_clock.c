/* A computer that sleeps, for the test of poised: loaded before the C library (LD_PRELOAD).  The file named by
 * LEAPING_CLOCK holds two 64-bit numbers: microseconds that the clocks which count sleep are ahead of those that do
 * not, and that the wall clock was set. The pipe of the same name with .wake behind it plays the alarm that the kernel
 * cancels when it wakes. */
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <stdint.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

static const volatile int64_t *ahead_us;
static int alarm_fd = -1;

static void __attribute__((constructor)) map(void)
{
    const char *path = getenv("LEAPING_CLOCK");
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    void *place = file < 0 ? MAP_FAILED : mmap(NULL, 2 * sizeof *ahead_us, PROT_READ, MAP_SHARED, file, 0);

    if (file >= 0)
        close(file);
    if (place != MAP_FAILED)
        ahead_us = place;
}

int clock_gettime(clockid_t which, struct timespec *out)
{
    int result = (int)syscall(SYS_clock_gettime, which, out);

    if (result == 0 && ahead_us && (which == CLOCK_BOOTTIME || which == CLOCK_REALTIME)) {
        int64_t us = out->tv_nsec / 1000 + ahead_us[0] + (which == CLOCK_REALTIME ? ahead_us[1] : 0);

        out->tv_sec += us / 1000000 - (us % 1000000 < 0);
        out->tv_nsec = (us % 1000000 + 1000000) % 1000000 * 1000;
    }
    return result;
}

int timerfd_create(int which, int flags)
{
    char path[PATH_MAX];

    if (which != CLOCK_REALTIME || !ahead_us)
        return (int)syscall(SYS_timerfd_create, which, flags);
    snprintf(path, sizeof path, "%s.wake", getenv("LEAPING_CLOCK"));
    return alarm_fd = open(path, O_RDWR | O_NONBLOCK | O_CLOEXEC);
}

int timerfd_settime(int file, int flags, const struct itimerspec *new, struct itimerspec *old)
{
    return file == alarm_fd ? 0 : (int)syscall(SYS_timerfd_settime, file, flags, new, old);
}
