/* The bare relay: the least that carries lines from serial ports to a bus.  It checks nothing, keeps
 * nothing and knows nothing of brews: the yardstick for poised, not a part of it.
 * Usage: speed-relay [--write FILE] BUS PORT...; port n is published as reading/speed/iN.
 * With a file it also has a second thread write every message down, the cheapest way there is: what it costs
 * at least to keep what was said, and to write on a thread of its own. */
#include <fcntl.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>
#include <zmq.h>

enum { LINE_SIZE = 128, EVENTS = 64, WAITING_BYTES = 1 << 20 };

struct port {
    int fd, number;
    size_t length;
    char line[LINE_SIZE];
};

static void *bus;
static uint64_t seq;

static int file = -1;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static pthread_cond_t work = PTHREAD_COND_INITIALIZER;
static char waiting[WAITING_BYTES];
static size_t waiting_length;

static void keep(const char *text, size_t length)
{
    pthread_mutex_lock(&lock);
    if (waiting_length + length <= sizeof waiting) {
        memcpy(waiting + waiting_length, text, length);
        waiting_length += length;
    }
    pthread_mutex_unlock(&lock);
    pthread_cond_signal(&work);
}

static void *write_down(void *unused)
{
    static char text[WAITING_BYTES];
    size_t length;

    for (;;) {
        pthread_mutex_lock(&lock);
        while (waiting_length == 0)
            pthread_cond_wait(&work, &lock);
        length = waiting_length;
        memcpy(text, waiting, length);
        waiting_length = 0;
        pthread_mutex_unlock(&lock);
        if (write(file, text, length) != (ssize_t)length)
            perror("speed-relay: writing");
    }
    return unused;
}

static int64_t now_us(clockid_t which)
{
    struct timespec now;

    clock_gettime(which, &now);
    return now.tv_sec * INT64_C(1000000) + now.tv_nsec / 1000;
}

static void publish(const struct port *port)
{
    char topic[32], text[320];
    const char *digits = strpbrk(port->line, "0123456789");
    double value;
    int topic_length, length;

    if (!digits)
        return;
    value = strchr(port->line, '-') ? -strtod(digits, NULL) : strtod(digits, NULL);
    topic_length = snprintf(topic, sizeof topic, "reading/speed/i%d", port->number);
    length = snprintf(text, sizeof text,
                      "{\"v\":1,\"bench\":\"speed\",\"seq\":%llu,\"time_us\":%lld,\"mono_us\":%lld,"
                      "\"instrument\":\"i%d\",\"quantity\":\"mass\",\"value\":%.2f,\"unit\":\"g\",\"stable\":%s,"
                      "\"status\":\"ok\"}",
                      (unsigned long long)++seq, (long long)now_us(CLOCK_REALTIME), (long long)now_us(CLOCK_BOOTTIME),
                      port->number, value, strncmp(port->line, "ST", 2) == 0 ? "true" : "false");
    zmq_send(bus, topic, (size_t)topic_length, ZMQ_SNDMORE | ZMQ_DONTWAIT);
    zmq_send(bus, text, (size_t)length, ZMQ_DONTWAIT);
    if (file >= 0)
        keep(text, (size_t)length);
}

static void receive(struct port *port)
{
    char bytes[LINE_SIZE];
    ssize_t count = read(port->fd, bytes, sizeof bytes);

    for (ssize_t i = 0; i < count; i++) {
        if (bytes[i] == '\n') {
            port->line[port->length] = '\0';
            publish(port);
            port->length = 0;
        } else if (port->length + 1 < sizeof port->line) {
            port->line[port->length++] = bytes[i];
        }
    }
}

static int port_open(struct port *port, const char *path, int number)
{
    struct termios raw;

    port->number = number;
    port->fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port->fd < 0 || tcgetattr(port->fd, &raw) < 0)
        return -1;
    cfmakeraw(&raw);
    return tcsetattr(port->fd, TCSANOW, &raw);
}

int main(int argc, char **argv)
{
    bool writes = argc > 2 && strcmp(argv[1], "--write") == 0;
    char **arguments = argv + (writes ? 3 : 1);
    int ports = argc - (int)(arguments - argv) - 1, poll = epoll_create1(EPOLL_CLOEXEC);
    struct port *port = calloc((size_t)(ports > 0 ? ports : 1), sizeof *port);
    struct epoll_event events[EVENTS];
    pthread_t thread;

    if (writes
        && ((file = open(argv[2], O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600)) < 0
            || pthread_create(&thread, NULL, write_down, NULL) != 0))
        return 2;
    bus = zmq_socket(zmq_ctx_new(), ZMQ_PUB);
    if (ports < 1 || !port || !bus || zmq_bind(bus, arguments[0]) < 0)
        return 2;
    for (int i = 0; i < ports; i++) {
        struct epoll_event event = { .events = EPOLLIN, .data.ptr = &port[i] };

        if (port_open(&port[i], arguments[i + 1], i) < 0 || epoll_ctl(poll, EPOLL_CTL_ADD, port[i].fd, &event) < 0) {
            perror(arguments[i + 1]);
            return 1;
        }
    }
    for (;;) {
        int count = epoll_wait(poll, events, EVENTS, -1);

        for (int i = 0; i < count; i++)
            receive(events[i].data.ptr);
    }
}
