/* The bare relay: the least that carries lines from serial ports to a bus.  It checks nothing, keeps
 * nothing and knows nothing of brews: the yardstick for poised, not a part of it.
 * Usage: speed-relay BUS PORT...; port n is published as reading/speed/iN. */
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>
#include <zmq.h>

enum { LINE_SIZE = 128, EVENTS = 64 };

struct port {
    int fd, number;
    size_t length;
    char line[LINE_SIZE];
};

static void *bus;
static uint64_t seq;

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
                      "\"instrument\":\"i%d\",\"quantity\":\"mass\",\"value\":%.2f,\"unit\":\"g\",\"stable\":%s,\"status\":\"ok\"}",
                      (unsigned long long)++seq, (long long)now_us(CLOCK_REALTIME), (long long)now_us(CLOCK_BOOTTIME),
                      port->number, value, strncmp(port->line, "ST", 2) == 0 ? "true" : "false");
    zmq_send(bus, topic, (size_t)topic_length, ZMQ_SNDMORE | ZMQ_DONTWAIT);
    zmq_send(bus, text, (size_t)length, ZMQ_DONTWAIT);
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
    int ports = argc - 2, poll = epoll_create1(EPOLL_CLOEXEC);
    struct port *port = calloc((size_t)(ports > 0 ? ports : 1), sizeof *port);
    struct epoll_event events[EVENTS];

    bus = zmq_socket(zmq_ctx_new(), ZMQ_PUB);
    if (ports < 1 || !port || !bus || zmq_bind(bus, argv[1]) < 0)
        return 2;
    for (int i = 0; i < ports; i++) {
        struct epoll_event event = {.events = EPOLLIN, .data.ptr = &port[i]};

        if (port_open(&port[i], argv[i + 2], i) < 0 || epoll_ctl(poll, EPOLL_CTL_ADD, port[i].fd, &event) < 0) {
            perror(argv[i + 2]);
            return 1;
        }
    }
    for (;;) {
        int count = epoll_wait(poll, events, EVENTS, -1);

        for (int i = 0; i < count; i++)
            receive(events[i].data.ptr);
    }
}
