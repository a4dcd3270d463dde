/* Asks a bench for everything its journal holds, as fast as it answers, and counts.
 * Usage: speed-since CONTROL; prints {"messages", "bytes", "seconds"}. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <zmq.h>

enum { ANSWER_WITHIN_MS = 10000 };

static double now_s(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

/* A number of the reply itself, which stands outside the messages: the last one of that name. */
static uint64_t number_after(const char *text, size_t length, const char *key)
{
    size_t key_length = strlen(key);

    for (size_t at = length - key_length; at > 0; at--)
        if (memcmp(text + at, key, key_length) == 0)
            return strtoull(text + at + key_length, NULL, 10);
    return 0;
}

static uint64_t count_messages(const char *text, size_t length)
{
    static const char key[] = "\"seq\":";
    uint64_t count = 0;

    for (const char *at = text; (at = memmem(at, length - (size_t)(at - text), key, sizeof key - 1)); at++)
        count++;
    return count;
}

int main(int argc, char **argv)
{
    void *control = zmq_socket(zmq_ctx_new(), ZMQ_DEALER);
    int wait_ms = ANSWER_WITHIN_MS;
    uint64_t seq = 0, last, next, messages = 0, bytes = 0;
    double began_s = now_s();

    if (argc != 2 || !control || zmq_setsockopt(control, ZMQ_RCVTIMEO, &wait_ms, sizeof wait_ms) < 0
        || zmq_connect(control, argv[1]) < 0)
        return 2;
    do {
        char request[64];
        zmq_msg_t reply;
        int length = snprintf(request, sizeof request, "{\"do\":\"since\",\"seq\":%llu}", (unsigned long long)seq);

        zmq_send(control, request, (size_t)length, 0);
        zmq_msg_init(&reply);
        if (zmq_msg_recv(&reply, control, 0) < 0) {
            perror("speed-since: no answer");
            return 1;
        }
        next = number_after(zmq_msg_data(&reply), zmq_msg_size(&reply), "\"next\":");
        last = number_after(zmq_msg_data(&reply), zmq_msg_size(&reply), "\"last\":");
        messages += count_messages(zmq_msg_data(&reply), zmq_msg_size(&reply));
        bytes += zmq_msg_size(&reply);
        zmq_msg_close(&reply);
        if (next <= seq)
            break;
        seq = next;
    } while (seq < last);
    printf("{\"messages\": %llu, \"bytes\": %llu, \"seconds\": %.6f}\n", (unsigned long long)messages,
           (unsigned long long)bytes, now_s() - began_s);
    return 0;
}
