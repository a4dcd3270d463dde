/* Serial ports, opened for us alone and set as configured; see serial.h.  Reading and writing is the loop's. */
#include "serial.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <libserialport.h>
#include <limits.h>
#include <linux/serial.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <termios.h>
#include <unistd.h>

enum {
    LINKS_MOST = 8 /* from a name of one's own to a by-id link to the port are two */
};

struct serial {
    int lock;             /* holds the flock; the port itself where libserialport does not know it */
    struct sp_port *port; /* NULL: opened directly */
    bool pseudo;          /* a pseudo-terminal: it ignores speed and parity */
    bool exclusive;       /* TIOCEXCL is set, and ours */
    bool hastened;        /* ASYNC_LOW_LATENCY is set by us */
    bool touched;         /* to be given back as we found it */
    struct termios before;
};

static const struct {
    int baud;
    speed_t speed;
} speeds[] = {
    { 300, B300 },       { 600, B600 },       { 1200, B1200 },     { 1800, B1800 },
    { 2400, B2400 },     { 4800, B4800 },     { 9600, B9600 },     { 19200, B19200 },
    { 38400, B38400 },   { 57600, B57600 },   { 115200, B115200 }, { 230400, B230400 },
    { 460800, B460800 }, { 500000, B500000 }, { 576000, B576000 }, { 921600, B921600 },
};

/* B0, which hangs up, for a speed that no port has. */
static speed_t speed_of(long baud)
{
    for (size_t i = 0; i < sizeof speeds / sizeof *speeds; i++)
        if (speeds[i].baud == baud)
            return speeds[i].speed;
    return B0;
}

int serial_settings_parse(const char *text, struct serial_settings *out, struct why *why)
{
    char *end;
    long baud;

    if (text == NULL)
        text = "9600 8N1";
    baud = strtol(text, &end, 10);
    if (text[0] < '1' || text[0] > '9' || *end != ' ')
        return why_set(why, -EINVAL, "serial = %s: write speed, bits, parity and stop bits, as 9600 8N1", text);
    if (speed_of(baud) == B0)
        return why_set(why, -EINVAL, "serial = %s: no port has this speed; 9600, 4800 and 2400 are usual", text);
    end += strspn(end, " ");
    if (strlen(end) != 3 || strchr("78", end[0]) == NULL || strchr("NEO", end[1]) == NULL
        || strchr("12", end[2]) == NULL)
        return why_set(why, -EINVAL,
                       "serial = %s: after the speed stand bits (7, 8), parity (N, E, O) and stop bits "
                       "(1, 2), as 8N1",
                       text);
    *out = (struct serial_settings){
        .baud = (int)baud, .bits = end[0] - '0', .parity = end[1], .stop_bits = end[2] - '0'
    };
    return 0;
}

int serial_line_parse(const char *key, const char *text, enum serial_line *out, struct why *why)
{
    static const char *const words[] = { "leave", "on", "off" };

    for (int i = 0; i < 3; i++)
        if (strcmp(text ? text : words[SERIAL_LINE_LEAVE], words[i]) == 0) {
            *out = (enum serial_line)i;
            return 0;
        }
    return why_set(why, -EINVAL, "%s = %s: write on, off or leave", key, text);
}

/* The sentence for a port that cannot be opened, and the error that callers know. */
static int explain(int error, const char *path, struct why *why)
{
    struct stat found;
    struct group *group;

    switch (error) {
    case ENOENT:
    case ENODEV:
    case ENXIO:
    case ENOTDIR:
        return why_set(why, -ENOENT, "%s is not there; is the instrument plugged in and switched on?", path);
    case EACCES:
    case EPERM:
        group = stat(path, &found) == 0 ? getgrgid(found.st_gid) : NULL;
        return why_set(why, -EACCES,
                       "no permission to open %s; join the group %s and log in again, or install the "
                       "udev rules of poise",
                       path, group ? group->gr_name : "that owns it");
    case EBUSY:
    case EWOULDBLOCK:
        return why_set(why, -EBUSY,
                       "%s is in use by another program (a second poised, a terminal program, a modem "
                       "manager); close it there",
                       path);
    default:
        return why_set(why, -EIO, "%s cannot be opened: %s", path, strerror(error));
    }
}

static bool lines_given(const struct serial_settings *settings)
{
    return settings->dtr != SERIAL_LINE_LEAVE || settings->rts != SERIAL_LINE_LEAVE;
}

static int set_lines(const struct serial *serial, const char *path, const struct serial_settings *settings,
                     struct why *why)
{
    int on = (settings->dtr == SERIAL_LINE_ON ? TIOCM_DTR : 0) | (settings->rts == SERIAL_LINE_ON ? TIOCM_RTS : 0);
    int off = (settings->dtr == SERIAL_LINE_OFF ? TIOCM_DTR : 0) | (settings->rts == SERIAL_LINE_OFF ? TIOCM_RTS : 0);

    if (serial->pseudo || !lines_given(settings))
        return 0;
    if ((off && ioctl(serial->lock, TIOCMBIC, &off) < 0) || (on && ioctl(serial->lock, TIOCMBIS, &on) < 0))
        return why_set(why, -EIO, "%s cannot switch its lines DTR and RTS; leave dtr and rts out", path);
    return 0;
}

int serial_hush(int fd, const struct termios *before)
{
    struct termios hushed = *before;

    hushed.c_lflag &= ~(tcflag_t)(ECHO | ECHONL);
    return tcsetattr(fd, TCSANOW, &hushed) < 0 ? -errno : 0;
}

bool serial_is_pseudo(dev_t device)
{
    /* Linux, Documentation/admin-guide/devices.txt */
    return major(device) >= 136 && major(device) <= 143;
}

/* Opens the device and locks it, so that whatever is set afterwards disturbs nobody.  Lines that are to be low have
 * then been high for as long as these few calls take. */
static int lock_port(struct serial *serial, const char *path, const struct serial_settings *settings, struct why *why)
{
    struct stat found;
    int taken = 0;

    serial->lock = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (serial->lock < 0)
        return explain(errno, path, why);
    if (fstat(serial->lock, &found) < 0 || !S_ISCHR(found.st_mode) || !isatty(serial->lock))
        return why_set(why, -EIO, "%s is no serial port", path);
    serial->pseudo = !serial->port && serial_is_pseudo(found.st_rdev);
    if (flock(serial->lock, LOCK_EX | LOCK_NB) < 0)
        return explain(errno, path, why);
    /* root is let in through TIOCEXCL, so look whether somebody has set it */
    if (!serial->pseudo && ioctl(serial->lock, TIOCGEXCL, &taken) == 0 && taken)
        return explain(EBUSY, path, why);
    if (set_lines(serial, path, settings, why) < 0)
        return -EIO;
    if (tcgetattr(serial->lock, &serial->before) < 0 || serial_hush(serial->lock, &serial->before) < 0)
        return explain(errno, path, why);
    return 0;
}

static int refused(const char *path, const struct serial_settings *settings, struct why *why)
{
    return why_set(why, -EIO, "%s does not accept %d %d%c%d; look up the settings in the instrument's manual", path,
                   settings->baud, settings->bits, settings->parity, settings->stop_bits);
}

/* A port that libserialport knows: set by it, and read back. */
static int set_known(struct serial *serial, const char *path, const struct serial_settings *settings, struct why *why)
{
    enum sp_parity parity = settings->parity == 'E'   ? SP_PARITY_EVEN
                            : settings->parity == 'O' ? SP_PARITY_ODD
                                                      : SP_PARITY_NONE,
                   got_parity;
    struct sp_port_config *config;
    int baud, bits, stop_bits;
    bool accepted;

    if (sp_open(serial->port, SP_MODE_READ_WRITE) != SP_OK)
        return explain(sp_last_error_code(), path, why);
    if (sp_new_config(&config) != SP_OK)
        return why_set(why, -ENOMEM, "no memory for the settings of %s", path);
    accepted =
        sp_set_config_baudrate(config, settings->baud) == SP_OK && sp_set_config_bits(config, settings->bits) == SP_OK
        && sp_set_config_parity(config, parity) == SP_OK && sp_set_config_stopbits(config, settings->stop_bits) == SP_OK
        && sp_set_config_flowcontrol(config, SP_FLOWCONTROL_NONE) == SP_OK
        && sp_set_config(serial->port, config) == SP_OK && sp_get_config(serial->port, config) == SP_OK
        && sp_get_config_baudrate(config, &baud) == SP_OK && sp_get_config_bits(config, &bits) == SP_OK
        && sp_get_config_parity(config, &got_parity) == SP_OK && sp_get_config_stopbits(config, &stop_bits) == SP_OK
        && baud == settings->baud && bits == settings->bits && got_parity == parity && stop_bits == settings->stop_bits;
    sp_free_config(config);
    return accepted ? 0 : refused(path, settings, why);
}

/* A terminal that libserialport does not know, or must not open a second time: set by hand.  A pseudo-terminal has no
 * wire, so there only raw mode counts. */
static int set_direct(struct serial *serial, const char *path, const struct serial_settings *settings, struct why *why)
{
    tcflag_t framing = CSIZE | PARENB | PARODD | CSTOPB;
    speed_t speed = speed_of(settings->baud);
    struct termios wanted = serial->before, got;

    cfmakeraw(&wanted);
    wanted.c_cflag &= ~(framing | CRTSCTS);
    wanted.c_cflag |= CLOCAL | CREAD | (settings->bits == 7 ? CS7 : CS8) | (settings->stop_bits == 2 ? CSTOPB : 0)
                      | (settings->parity == 'N'   ? 0
                         : settings->parity == 'E' ? PARENB
                                                   : PARENB | PARODD);
    wanted.c_iflag &= ~(tcflag_t)(IXOFF | IXANY);
    if (cfsetispeed(&wanted, speed) < 0 || cfsetospeed(&wanted, speed) < 0
        || tcsetattr(serial->lock, TCSANOW, &wanted) < 0 || tcgetattr(serial->lock, &got) < 0)
        return explain(errno, path, why);
    if (got.c_iflag != wanted.c_iflag || got.c_oflag != wanted.c_oflag || got.c_lflag != wanted.c_lflag)
        return refused(path, settings, why);
    if (!serial->pseudo && ((got.c_cflag & framing) != (wanted.c_cflag & framing) || cfgetispeed(&got) != speed))
        return refused(path, settings, why);
    return 0;
}

/* What libserialport leaves as it finds it: no hang-up on close (it resets some boards), reads that say
 * "nothing yet" instead of 0 bytes, exclusive use, low latency. */
static int finish(struct serial *serial, const char *path, struct why *why)
{
    struct serial_struct details;
    struct termios raw;
    int fd = serial_fd(serial);

    if (tcgetattr(fd, &raw) < 0 || fcntl(fd, F_SETFD, FD_CLOEXEC) < 0
        || fcntl(fd, F_SETFL, fcntl(fd, F_GETFL) | O_NONBLOCK) < 0)
        return explain(errno, path, why);
    raw.c_cflag &= ~(tcflag_t)HUPCL;
    raw.c_cc[VMIN] = 1;
    raw.c_cc[VTIME] = 0;
    if (tcsetattr(fd, TCSANOW, &raw) < 0 || tcflush(fd, TCIFLUSH) < 0) /* what waited has lost its time */
        return explain(errno, path, why);
    if (serial->pseudo)
        return 0; /* the flag would outlive a killed poised for as long as the other end keeps it open */
    if (ioctl(fd, TIOCEXCL) < 0)
        return explain(errno, path, why);
    serial->exclusive = true;
    if (ioctl(fd, TIOCGSERIAL, &details) == 0 && !(details.flags & ASYNC_LOW_LATENCY)) {
        details.flags |= ASYNC_LOW_LATENCY;
        serial->hastened = ioctl(fd, TIOCSSERIAL, &details) == 0; /* a wish: not every adapter can */
    }
    return 0;
}

/* Where a link leads: "/dev/serial/by-id/x" and "../../ttyUSB0" make "/dev/ttyUSB0". */
static int follow(char path[PATH_MAX])
{
    char target[PATH_MAX], *slash, *rest = target;
    ssize_t length = readlink(path, target, sizeof target - 1);

    if (length < 0)
        return -errno;
    target[length] = '\0';
    if (target[0] == '/') {
        strcpy(path, target);
        return 0;
    }
    slash = strrchr(path, '/');
    while (slash && slash > path && strncmp(rest, "../", 3) == 0) {
        *slash = '\0';
        slash = strrchr(path, '/');
        rest += 3;
    }
    if (slash == NULL || (size_t)(slash + 1 - path) + strlen(rest) >= PATH_MAX)
        return -ENAMETOOLONG;
    strcpy(slash + 1, rest);
    return 0;
}

/* libserialport knows ports by the kernel's name alone, so links are followed until it does.  What it never
 * knows ends as the plain path of a terminal.  0 or a negative errno. */
static int resolve(const char *path, char out[PATH_MAX], struct sp_port **port)
{
    if (strlen(path) >= PATH_MAX)
        return -ENAMETOOLONG;
    strcpy(out, path);
    for (int links = 0, error = 0; links < LINKS_MOST && error == 0; links++) {
        if (sp_get_port_by_name(out, port) == SP_OK)
            return 0;
        *port = NULL;
        error = follow(out);
    }
    return realpath(path, out) ? 0 : -errno;
}

int serial_resolve(const char *path, char *out, size_t size)
{
    struct sp_port *port = NULL;
    char resolved[PATH_MAX];
    int error = resolve(path, resolved, &port);

    sp_free_port(port);
    if (error < 0 || strlen(resolved) >= size)
        return error < 0 ? error : -ENAMETOOLONG;
    strcpy(out, resolved);
    return 0;
}

struct serial_link serial_link_of(const char *path)
{
    static const char terminals[] = "/dev/pts/";
    struct serial_link none = { 0 };
    struct stat found;
    char at[PATH_MAX];

    if (strlen(path) >= sizeof at)
        return none;
    strcpy(at, path);
    for (int links = 0; links < LINKS_MOST; links++) {
        if (lstat(at, &found) < 0 || !S_ISLNK(found.st_mode) || follow(at) < 0)
            return none;
        if (strncmp(at, terminals, sizeof terminals - 1) == 0)
            return (struct serial_link){ found.st_ino, found.st_ctim.tv_sec, found.st_ctim.tv_nsec };
    }
    return none;
}

bool serial_link_same(struct serial_link a, struct serial_link b)
{
    return a.inode && a.inode == b.inode && a.changed_s == b.changed_s && a.changed_ns == b.changed_ns;
}

int serial_open(struct serial **out, const char *path, const struct serial_settings *settings, struct why *why)
{
    struct serial *serial;
    char resolved[PATH_MAX];
    int error;

    serial = calloc(1, sizeof *serial);
    if (serial == NULL)
        return why_set(why, -ENOMEM, "no memory to open %s", path);
    serial->lock = -1;
    error = resolve(path, resolved, &serial->port);
    error = error < 0 ? explain(-error, path, why) : lock_port(serial, resolved, settings, why);
    serial->touched = error == 0;
    if (error == 0 && lines_given(settings)) { /* libserialport would open the port again, and raise them */
        sp_free_port(serial->port);
        serial->port = NULL;
    }
    if (error == 0)
        error = (serial->port ? set_known : set_direct)(serial, resolved, settings, why);
    if (error == 0)
        error = finish(serial, resolved, why);
    if (error == 0) /* some adapters raise RTS when a port leaves hardware flow control */
        error = set_lines(serial, resolved, settings, why);
    if (error < 0) {
        serial_close(serial);
        return error;
    }
    *out = serial;
    return 0;
}

int serial_fd(const struct serial *serial)
{
    int fd = serial->lock;

    if (serial->port)
        sp_get_port_handle(serial->port, &fd);
    return fd;
}

/* Fails when the device is gone: so be it. */
static void restore(struct serial *serial)
{
    struct serial_struct details;

    serial->before.c_cflag &= ~(tcflag_t)HUPCL;
    tcsetattr(serial->lock, TCSANOW, &serial->before);
    if (serial->hastened && ioctl(serial->lock, TIOCGSERIAL, &details) == 0) {
        details.flags &= ~ASYNC_LOW_LATENCY;
        ioctl(serial->lock, TIOCSSERIAL, &details);
    }
    if (serial->exclusive)
        ioctl(serial->lock, TIOCNXCL);
}

void serial_close(struct serial *serial)
{
    if (serial == NULL)
        return;
    if (serial->touched)
        restore(serial);
    if (serial->port) {
        sp_close(serial->port);
        sp_free_port(serial->port);
    }
    if (serial->lock >= 0)
        close(serial->lock);
    free(serial);
}

void serial_list_free(char **list)
{
    for (char **at = list; at && *at; at++)
        free(*at);
    free(list);
}

int serial_list(char ***out, struct why *why)
{
    struct sp_port **ports;
    size_t count = 0;
    char **list;

    if (sp_list_ports(&ports) != SP_OK)
        return why_set(why, -EIO, "the serial ports of this computer cannot be listed; name one");
    while (ports[count])
        count++;
    list = calloc(count + 1, sizeof *list);
    for (size_t i = 0; list && i < count; i++)
        if (!(list[i] = strdup(sp_get_port_name(ports[i])))) {
            serial_list_free(list);
            list = NULL;
        }
    sp_free_port_list(ports);
    if (!list)
        return why_set(why, -ENOMEM, "no memory for the list of serial ports");
    *out = list;
    return 0;
}

const char *serial_lasting_path(const char *path, char *out, size_t size)
{
    static const char folder[] = "/dev/serial/by-id";
    char real[PATH_MAX], other[PATH_MAX], whole[2 * PATH_MAX], link[PATH_MAX];
    struct dirent *entry;
    bool found = false;
    DIR *links;

    if (path[0] != '/' && getcwd(real, sizeof real) && snprintf(whole, sizeof whole, "%s/%s", real, path) < (int)size) {
        strcpy(out, whole);
        path = out; /* a section is read from another folder */
    }
    if (strncmp(path, "/dev/serial/", 12) == 0 || serial_resolve(path, real, sizeof real) < 0
        || !(links = opendir(folder)))
        return path;
    while (!found && (entry = readdir(links)))
        found = entry->d_name[0] != '.' && snprintf(link, sizeof link, "%s/%s", folder, entry->d_name) < (int)size
                && serial_resolve(link, other, sizeof other) == 0 && strcmp(other, real) == 0;
    closedir(links);
    if (found)
        strcpy(out, link);
    return found ? out : path;
}
