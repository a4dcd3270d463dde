/* Plays many scales on pseudo-terminals and times how long each line takes to a subscriber.
 * Not a model of brewing: the masses rest; where somebody listens their last digit names the line.
 *
 * Usage: speed-meter FOLDER COUNT makes COUNT ports FOLDER/i0 ... and then obeys standard input:
 *   connect ADDRESS      subscribe to a bus            stream PORT   read lines from a TCP port instead
 *   ready SECONDS        until every port was heard    run LINES_PER_S SECONDS   per port; prints the result
 *   noise BYTES_PER_S    on the last port, from now on (0: none), which carries no lines any more
 * Each answer is one line of JSON. */
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>
#include <zmq.h>

enum {
    MARKS = 10,          /* lines in flight that the last digit can distinguish */
    LATENCIES = 2000000, /* most that one run keeps */
    NOISE_BLOCK_US = 5000
};

struct port {
    int master, slave;
    unsigned next; /* line to be written */
    _Atomic int64_t sent_ns[MARKS];
    atomic_bool heard;
};

static struct port *ports;
static int port_count;
static void *subscriber; /* one of the two */
static int stream = -1;
static int32_t *latency_ns;
static atomic_int latency_count, strange_count;
static atomic_long noise_per_s;
static bool last_is_noisy;

static int64_t now_ns(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * INT64_C(1000000000) + now.tv_nsec;
}

static void sleep_until(int64_t at_ns)
{
    struct timespec at = { at_ns / 1000000000, at_ns % 1000000000 };

    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &at, NULL) == EINTR)
        ;
}

static bool port_open(struct port *port, const char *folder, int number)
{
    char link[256];
    struct termios raw;

    port->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port->master < 0 || grantpt(port->master) < 0 || unlockpt(port->master) < 0)
        return false;
    /* Kept open here too, so that a program that goes leaves no hang-up behind. */
    port->slave = open(ptsname(port->master), O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (port->slave < 0 || tcgetattr(port->slave, &raw) < 0)
        return false;
    cfmakeraw(&raw);
    if (tcsetattr(port->slave, TCSANOW, &raw) < 0)
        return false;
    snprintf(link, sizeof link, "%s/i%d", folder, number);
    unlink(link);
    return symlink(ptsname(port->master), link) == 0;
}

static bool port_write(struct port *port)
{
    char line[32];
    unsigned mark = subscriber || stream >= 0 ? port->next % MARKS : 0;
    int length = snprintf(line, sizeof line, "ST,GS,+  215.4%u g\r\n", mark);

    atomic_store(&port->sent_ns[mark], now_ns());
    if (write(port->master, line, (size_t)length) != length)
        return false;
    port->next++;
    return true;
}

static void arrived(int number, char digit)
{
    int64_t sent_ns = 0, took_ns;
    int at;

    if (number >= 0 && number < port_count && digit >= '0' && digit <= '9')
        sent_ns = atomic_exchange(&ports[number].sent_ns[digit - '0'], 0);
    if (sent_ns == 0) {
        atomic_fetch_add(&strange_count, 1);
        return;
    }
    atomic_store(&ports[number].heard, true);
    took_ns = now_ns() - sent_ns;
    at = atomic_fetch_add(&latency_count, 1);
    if (at < LATENCIES)
        latency_ns[at] = took_ns > INT32_MAX ? INT32_MAX : (int32_t)took_ns;
}

/* Messages of a bus, until the socket is gone. */
static void *listen_bus(void *unused)
{
    char topic[128], text[4096];
    int topic_length, length;

    while ((topic_length = zmq_recv(subscriber, topic, sizeof topic - 1, 0)) >= 0) {
        const char *number, *digits;

        length = zmq_recv(subscriber, text, sizeof text - 1, 0);
        if (length < 0)
            break;
        topic[topic_length < (int)sizeof topic ? topic_length : (int)sizeof topic - 1] = '\0';
        text[length < (int)sizeof text ? length : (int)sizeof text - 1] = '\0';
        number = strrchr(topic, '/');
        digits = strstr(text, "\"value\":");
        if (strncmp(topic, "reading/", 8) == 0 && number && number[1] == 'i' && digits) {
            digits += strlen("\"value\":");
            arrived(atoi(number + 2), digits[strspn(digits, "-.0123456789") - 1]);
        }
    }
    return unused;
}

/* Plain lines of a stream: port 0. */
static void *listen_stream(void *unused)
{
    char bytes[4096], last = 0;
    ssize_t count;

    while ((count = read(stream, bytes, sizeof bytes)) > 0)
        for (ssize_t i = 0; i < count; i++) {
            if (bytes[i] >= '0' && bytes[i] <= '9')
                last = bytes[i];
            if (bytes[i] == '\n')
                arrived(0, last);
        }
    return unused;
}

static void *make_noise(void *unused)
{
    char block[65536];
    unsigned random = 1;

    for (int64_t at_ns = now_ns();; at_ns += NOISE_BLOCK_US * INT64_C(1000)) {
        size_t length = (size_t)(atomic_load(&noise_per_s) * NOISE_BLOCK_US / 1000000);

        if (length > sizeof block)
            length = sizeof block;
        for (size_t i = 0; i < length; i++)
            block[i] = (char)((random = random * 1103515245 + 12345) >> 16);
        for (size_t done = 0; done < length;) { /* what the terminal does not take is lost, as on a wire */
            ssize_t count = write(ports[port_count - 1].master, block + done, length - done);

            if (count <= 0)
                break;
            done += (size_t)count;
        }
        sleep_until(at_ns);
    }
    return unused;
}

static bool start(void *(*routine)(void *))
{
    pthread_t thread;

    return pthread_create(&thread, NULL, routine, NULL) == 0 && pthread_detach(thread) == 0;
}

static bool connect_bus(const char *address)
{
    int none = 0;

    subscriber = zmq_socket(zmq_ctx_new(), ZMQ_SUB);
    return subscriber && zmq_setsockopt(subscriber, ZMQ_RCVHWM, &none, sizeof none) == 0
           && zmq_setsockopt(subscriber, ZMQ_SUBSCRIBE, "reading/", 8) == 0 && zmq_connect(subscriber, address) == 0
           && start(listen_bus);
}

static bool connect_stream(int port)
{
    struct sockaddr_in address = { .sin_family = AF_INET,
                                   .sin_port = htons((uint16_t)port),
                                   .sin_addr.s_addr = htonl(INADDR_LOOPBACK) };
    int64_t give_up_ns = now_ns() + INT64_C(5000000000);

    do {
        stream = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
        if (connect(stream, (struct sockaddr *)&address, sizeof address) == 0)
            return start(listen_stream);
        close(stream);
        sleep_until(now_ns() + 20000000);
    } while (now_ns() < give_up_ns);
    return false;
}

/* Ports that carry readings: all, but not the noisy one, also where it rests: it is not at its best again at once. */
static int quiet_ports(void)
{
    return port_count - last_is_noisy;
}

static bool ready(double seconds)
{
    int64_t give_up_ns = now_ns() + (int64_t)(seconds * 1e9);

    for (int i = 0; i < port_count; i++)
        atomic_store(&ports[i].heard, false);
    while (now_ns() < give_up_ns) {
        int heard = 0;

        for (int i = 0; i < quiet_ports(); i++) {
            heard += atomic_load(&ports[i].heard);
            if (!atomic_load(&ports[i].heard))
                port_write(&ports[i]);
        }
        if (heard == quiet_ports())
            return true;
        sleep_until(now_ns() + 100000000);
    }
    return false;
}

static int by_size(const void *a, const void *b)
{
    int32_t left = *(const int32_t *)a, right = *(const int32_t *)b;

    return (left > right) - (left < right);
}

/* Writes the lines at even distances, port after port, and waits for the stragglers where somebody listens. */
static void run(double lines_per_s, double seconds)
{
    int count = quiet_ports(), kept;
    long total = (long)(lines_per_s * seconds) * count, refused = 0;
    double step_ns = 1e9 / lines_per_s / count;
    int64_t began_ns, give_up_ns;

    sleep_until(now_ns() + 200000000); /* what is still on the way */
    atomic_store(&latency_count, 0);
    atomic_store(&strange_count, 0);
    began_ns = now_ns();
    for (long line = 0; line < total; line++) {
        int64_t at_ns = began_ns + (int64_t)((double)line * step_ns);

        if (at_ns > now_ns())
            sleep_until(at_ns);
        refused += !port_write(&ports[line % count]);
    }
    give_up_ns = now_ns() + INT64_C(1000000000);
    while ((subscriber || stream >= 0) && atomic_load(&latency_count) < total - refused && now_ns() < give_up_ns)
        sleep_until(now_ns() + 1000000);
    kept = atomic_load(&latency_count) < LATENCIES ? atomic_load(&latency_count) : LATENCIES;
    qsort(latency_ns, (size_t)kept, sizeof *latency_ns, by_size);
    printf("{\"written\": %ld, \"refused\": %ld, \"received\": %d, \"strange\": %d, ", total, refused,
           atomic_load(&latency_count), atomic_load(&strange_count));
    printf("\"p50_us\": %.1f, \"p99_us\": %.1f}\n", kept ? latency_ns[kept / 2] / 1e3 : -1.0,
           kept ? latency_ns[(int)(kept * 0.99)] / 1e3 : -1.0);
}

static bool obey(char *line)
{
    double first, second;
    char word[256];

    if (sscanf(line, "connect %255s", word) == 1)
        return connect_bus(word);
    if (sscanf(line, "stream %lf", &first) == 1)
        return connect_stream((int)first);
    if (sscanf(line, "ready %lf", &first) == 1)
        return ready(first);
    if (sscanf(line, "noise %lf", &first) == 1) {
        bool started = last_is_noisy;

        last_is_noisy = true;
        atomic_store(&noise_per_s, (long)first);
        return started || start(make_noise);
    }
    if (sscanf(line, "run %lf %lf", &first, &second) == 2) {
        run(first, second);
        return true;
    }
    return false;
}

int main(int argc, char **argv)
{
    char line[300];

    port_count = argc == 3 ? atoi(argv[2]) : 0;
    if (port_count < 1)
        return 2;
    ports = calloc((size_t)port_count, sizeof *ports);
    latency_ns = calloc(LATENCIES, sizeof *latency_ns);
    if (!ports || !latency_ns)
        return 1;
    for (int i = 0; i < port_count; i++)
        if (!port_open(&ports[i], argv[1], i)) {
            perror("speed-meter: making a pseudo-terminal");
            return 1;
        }
    printf("{\"ok\": true}\n");
    fflush(stdout);
    while (fgets(line, sizeof line, stdin)) {
        bool done = obey(line);

        if (strncmp(line, "run", 3) != 0 || !done)
            printf("{\"ok\": %s}\n", done ? "true" : "false");
        fflush(stdout);
    }
    _exit(0); /* the threads sit in their sockets */
}
