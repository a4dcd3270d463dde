/* A disk that hangs, for the test of poised: loaded before the C library (LD_PRELOAD), it lets fdatasync and fsync wait
 * as long as the file named by HANGING_DISK exists.  When one begins to wait, the file gets a byte. */
#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { LOOK_AGAIN_MS = 2 };

static void hang(void)
{
    const char *path = getenv("HANGING_DISK");
    int file = path ? open(path, O_WRONLY | O_APPEND | O_CLOEXEC) : -1;

    if (file < 0)
        return;
    if (write(file, ".", 1) == 1)
        while (access(path, F_OK) == 0)
            poll(NULL, 0, LOOK_AGAIN_MS);
    close(file);
}

int fdatasync(int file)
{
    hang();
    return (int)syscall(SYS_fdatasync, file);
}

int fsync(int file)
{
    hang();
    return (int)syscall(SYS_fsync, file);
}
