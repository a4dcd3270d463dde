/* What a client hands out, in which order: what was missed, then what was held meanwhile, then what
 * is live; each once.  The connection itself is in client.c. */
#include "client_parts.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <zmq.h>

#include "json_text.h"
#include "poise/clock.h"

enum {
    REPLY_WAIT_MS = 5000,   /* a bench that has not sent the next part of its history by then is asked again */
    REFUSED_WAIT_MS = 1000, /* a bench that says no is busy, or in trouble; it says which */
    RETRY_WAIT_MS = 200,    /* between questions that brought nothing */
    TRIES_MOST = 10,        /* so many in vain (2 s): what is missing will not come */
    REST_MOST_MS = 60000,   /* gathering from a bench that is silent: it is asked no more seldom */
    HELD_MOST = 20000       /* live messages held while the history is read; more are asked for again */
};

/* ---- asking what was missed ---- */

static void ask_later(struct client *client, int wait_ms)
{
    client->asking = ASK_LATER;
    client->due_ms = clock_steady_ms() + wait_ms;
}

static void begin_catching_up(struct client *client)
{
    client->catching_up = true;
    client->held_lost = false;
    if (client->asking == NOT_ASKING)
        client->asking = ASK_NOW;
}

void client_order_found(struct client *client)
{
    client->tries = 0;
    if (client->options.catch_up && client->position_known)
        begin_catching_up(client);
}

/* A question under way will not be answered: a fresh socket, so that no old answer is taken for a new one's. */
void client_order_gone(struct client *client)
{
    client_disconnect(&client->history);
    if (client->asking != NOT_ASKING)
        client->asking = ASK_NOW;
}

static int ask(struct client *client, struct why *why)
{
    json_t *request = json_pack("{s:s, s:I}", "do", "since", "seq",
                                (json_int_t)(client->chunk ? client->chunk_next : client->covered));
    char *text;
    int error;

    if (request && client->reader) {
        json_object_set_new(request, "reader", json_string(client->reader));
        json_object_set_new(request, "kept", json_integer((json_int_t)client->kept));
    }
    if (request && client->bench_id)
        json_object_set_new(request, "bench_id", json_string(client->bench_id));
    text = request ? json_dumps(request, JSON_COMPACT) : NULL;
    error = text ? 0 : why_set(why, -ENOMEM, "out of memory");

    json_decref(request);
    if (error == 0 && !client->history)
        error = client_connect(client, ZMQ_DEALER, client->control_address, &client->history, why);
    if (error == 0 && zmq_send(client->history, text, strlen(text), ZMQ_DONTWAIT) >= 0) {
        client->asking = ASKED;
        client->hinted = client->hinted && client->goal; /* in mid-round: heard after its beginning */
        client->due_ms = clock_steady_ms() + REPLY_WAIT_MS;
    } else {
        ask_later(client, RETRY_WAIT_MS);
    }
    free(text);
    return error < 0 ? CLIENT_BAD : CLIENT_AGAIN;
}

static bool member_seq(struct json_text reply, const char *key, uint64_t *out)
{
    struct json_text number;
    char digits[24], *end;

    if (!json_text_member(reply, key, &number) || (size_t)(number.end - number.at) >= sizeof digits
        || number.at == number.end || *number.at < '0' || *number.at > '9')
        return false;
    memcpy(digits, number.at, (size_t)(number.end - number.at));
    digits[number.end - number.at] = '\0';
    *out = strtoull(digits, &end, 10);
    return *end == '\0';
}

static void heard(struct client *client, const struct message *message)
{
    client->last = message->common.seq;
    if (client->latest_us < message->common.time_us)
        client->latest_us = message->common.time_us;
}

/* The bench's journal is another one than before: we begin again with it. */
static int begin_again(struct client *client)
{
    client->last = client->covered = client->kept = 0;
    client->tries = 0;
    return CLIENT_BAD;
}

/* It was begun after all that we have had, so what it holds is new, whatever its numbers are.  Each journal is asked
 * once: where the clock was put back after it was begun, it stays younger than what it holds. */
static bool is_younger(struct client *client, struct json_text reply)
{
    uint64_t began_us;

    if (!member_seq(reply, "began_us", &began_us) || began_us > INT64_MAX || (int64_t)began_us == client->began_us)
        return false;
    client->began_us = (int64_t)began_us;
    return client->covered && client->latest_us && client->began_us > client->latest_us;
}

/* The bench knows fewer messages than we have had: after a while to write them down, its journal
 * must be another one. */
static int behind_us(struct client *client, uint64_t last, struct why *why)
{
    ask_later(client, RETRY_WAIT_MS);
    if (++client->tries < TRIES_MOST)
        return CLIENT_AGAIN;
    why_set(why, -EPROTO,
            "the bench has numbered only %llu messages, and %llu were here before: its journal was "
            "replaced, and the new one is read from its beginning",
            (unsigned long long)last, (unsigned long long)client->covered);
    return begin_again(client);
}

static int take_reply(struct client *client, const char *text, size_t length, struct why *why)
{
    struct json_text reply = { text, text + length }, messages, ok;
    uint64_t next = 0, last = 0;
    size_t size;

    if (!json_text_member(reply, "ok", &ok) || ok.end - ok.at != 4 || memcmp(ok.at, "true", 4) != 0
        || !json_text_member(reply, "messages", &messages) || *messages.at != '[' || !member_seq(reply, "next", &next)
        || !member_seq(reply, "last", &last)) {
        ask_later(client, REFUSED_WAIT_MS);
        client_refused(text, length, why);
        return CLIENT_BAD;
    }
    if (is_younger(client, reply)) {
        ask_later(client, 0);
        why_set(why, -EPROTO, "the bench's journal was replaced, and the new one is read from its beginning");
        return begin_again(client);
    }
    if (last < client->covered)
        return behind_us(client, last, why);
    if (!member_seq(reply, "gone", &client->gone))
        client->gone = UINT64_MAX;
    size = (size_t)(messages.end - messages.at);
    client->chunk = malloc(size);
    if (!client->chunk) {
        ask_later(client, RETRY_WAIT_MS);
        why_set(why, -ENOMEM, "out of memory");
        return CLIENT_BAD;
    }
    memcpy(client->chunk, messages.at, size);
    client->chunk_at = client->chunk + 1;
    client->chunk_end = client->chunk + size;
    client->chunk_next = next > client->covered ? next : client->covered;
    /* Who gathers wants what had been said when the round began; the rest can wait for the next. */
    if (client->gather_ms)
        last = client->goal = client->goal && client->goal < last ? client->goal : last;
    /* Ask on while this part is handed out; when nothing came the journal is not that far yet. */
    if (client->chunk_next >= last)
        client->asking = NOT_ASKING;
    else if (client->chunk_next > client->covered)
        client->asking = ASK_NOW;
    else
        ask_later(client, RETRY_WAIT_MS);
    return CLIENT_AGAIN;
}

static int receive_reply(struct client *client, struct why *why)
{
    int event = CLIENT_NOTHING;
    zmq_msg_t part;

    zmq_msg_init(&part);
    if (zmq_msg_recv(&part, client->history, ZMQ_DONTWAIT) >= 0) {
        event = take_reply(client, zmq_msg_data(&part), zmq_msg_size(&part), why);
    } else if (clock_steady_ms() >= client->due_ms) {
        why_set(why, -ETIMEDOUT, "%s: the bench does not answer what was missed; asking again",
                client->control_address);
        client_order_gone(client);
        event = CLIENT_BAD;
    }
    zmq_msg_close(&part);
    return event;
}

/* ---- handing out ---- */

/* The next message of the chunk: ["topic",{...}].  False at its end, or where it makes no sense. */
static bool next_in_chunk(struct client *client, struct json_text *topic, struct json_text *message)
{
    const char *at = json_text_begin(client->chunk_at, client->chunk_end), *end = client->chunk_end;

    if (at < end && *at == ',')
        at = json_text_begin(at + 1, end);
    if (at == end || *at != '[')
        return false;
    topic->at = json_text_begin(at + 1, end);
    topic->end = json_text_past(topic->at, end);
    if (!topic->end || *topic->at != '"')
        return false;
    at = json_text_begin(topic->end, end);
    if (at == end || *at != ',')
        return false;
    message->at = json_text_begin(at + 1, end);
    message->end = json_text_past(message->at, end);
    if (!message->end)
        return false;
    at = json_text_begin(message->end, end);
    if (at == end || *at != ']')
        return false;
    topic->at++;
    topic->end--;
    client->chunk_at = at + 1;
    return true;
}

static int hand_out_chunk(struct client *client, struct message *message, struct why *why)
{
    struct json_text topic, text;

    while (next_in_chunk(client, &topic, &text)) {
        if (message_read(topic.at, (size_t)(topic.end - topic.at), text.at, (size_t)(text.end - text.at), message, why)
            < 0)
            return CLIENT_BAD;
        if (message->common.seq > client->last) {
            heard(client, message);
            client->tries = 0;
            client->rest_ms = client->gather_ms;
            return CLIENT_MESSAGE;
        }
        message_free(message);
    }
    client->covered = client->chunk_next;
    free(client->chunk);
    client->chunk = NULL;
    return CLIENT_AGAIN;
}

static void hold(struct client *client, const char *topic, size_t topic_length, const char *text, size_t length)
{
    struct held *held = client->held_count < HELD_MOST ? malloc(sizeof *held + topic_length + length) : NULL;

    if (!held) {
        client->held_lost = true;
        return;
    }
    held->next = NULL;
    held->topic_length = topic_length;
    held->length = length;
    memcpy(held->text, topic, topic_length);
    memcpy(held->text + topic_length, text, length);
    *client->held_end = held;
    client->held_end = &held->next;
    client->held_count++;
}

static void drop_first_held(struct client *client)
{
    struct held *held = client->held;

    client->held = held->next;
    if (!client->held)
        client->held_end = &client->held;
    client->held_count--;
    free(held);
}

void client_order_free(struct client *client)
{
    while (client->held)
        drop_first_held(client);
    free(client->chunk);
}

/* Is it new, a repetition, or is something missing before it?  A state has no number of its own: it
 * shows the last one given. */
enum place { PLACE_NEW, PLACE_KNOWN, PLACE_AFTER_HOLE };

static enum place place_of(struct client *client, const struct message *message)
{
    bool numbered = message->kind != MESSAGE_STATE;
    uint64_t seq = message->common.seq;

    if (!client->options.catch_up)
        return PLACE_NEW;
    if (!client->position_known) {
        client->position_known = true;
        client->last = client->covered = numbered && seq > 0 ? seq - 1 : seq;
    }
    if (numbered && seq <= client->last)
        return PLACE_KNOWN;
    return seq > client->covered + numbered ? PLACE_AFTER_HOLE : PLACE_NEW;
}

static void passed(struct client *client, const struct message *message)
{
    if (message->kind == MESSAGE_STATE)
        return;
    heard(client, message);
    if (client->covered < client->last)
        client->covered = client->last;
}

/* A round of gathering is over: the next begins after a rest, or at once where something was said meanwhile. */
static int round_over(struct client *client)
{
    client->goal = 0;
    client->tries = 0;
    if (client->hinted)
        client->asking = ASK_NOW;
    else
        ask_later(client, client->rest_ms);
    client->rest_ms = client->rest_ms * 2 < REST_MOST_MS ? client->rest_ms * 2 : REST_MOST_MS;
    return CLIENT_CAUGHT_UP;
}

/* The history is through: now what was held meanwhile. */
static int hand_out_held(struct client *client, struct message *message, struct why *why)
{
    struct held *held = client->held;
    enum place place;

    if (client->gather_ms)
        return round_over(client);
    if (!held) {
        client->catching_up = false;
        if (!client->held_lost)
            return CLIENT_CAUGHT_UP;
        begin_catching_up(client);
        return CLIENT_AGAIN;
    }
    if (message_read(held->text, held->topic_length, held->text + held->topic_length, held->length, message, why) < 0) {
        drop_first_held(client);
        return CLIENT_BAD;
    }
    place = place_of(client, message);
    if (place == PLACE_AFTER_HOLE && ++client->tries < TRIES_MOST) {
        ask_later(client, RETRY_WAIT_MS); /* not written down yet, it seems */
        message_free(message);
        return CLIENT_AGAIN;
    }
    if (place == PLACE_AFTER_HOLE) {
        why_set(why, -EPROTO, "messages %llu to %llu are missing, and the bench's journal does not have them",
                (unsigned long long)client->covered + 1,
                (unsigned long long)message->common.seq - (message->kind != MESSAGE_STATE));
        client->covered = message->common.seq - (message->kind != MESSAGE_STATE);
        client->tries = 0;
        message_free(message);
        return CLIENT_BAD;
    }
    drop_first_held(client);
    if (place == PLACE_NEW) {
        passed(client, message);
        return CLIENT_MESSAGE;
    }
    message_free(message);
    return CLIENT_AGAIN;
}

static bool topic_begins(zmq_msg_t *topic, const char *beginning)
{
    size_t length = strlen(beginning);

    return zmq_msg_size(topic) >= length && memcmp(zmq_msg_data(topic), beginning, length) == 0;
}

static int hand_out_live(struct client *client, zmq_msg_t *topic, zmq_msg_t *text, struct message *message,
                         struct why *why)
{
    const char *topic_text = zmq_msg_data(topic), *message_text = zmq_msg_data(text);
    enum place place;

    if (client->gather_ms && topic_begins(topic, "state/")) /* it has no number: no place in what is gathered */
        return message_read(topic_text, zmq_msg_size(topic), message_text, zmq_msg_size(text), message, why) < 0
                   ? CLIENT_BAD
                   : CLIENT_MESSAGE;
    if (client->gather_ms) {
        client->hinted = true;
        if (client->asking == ASK_LATER && client->tries == 0)
            client->asking = ASK_NOW;
        return CLIENT_AGAIN;
    }
    if (client->catching_up) {
        hold(client, topic_text, zmq_msg_size(topic), message_text, zmq_msg_size(text));
        return CLIENT_AGAIN;
    }
    if (message_read(topic_text, zmq_msg_size(topic), message_text, zmq_msg_size(text), message, why) < 0)
        return CLIENT_BAD;
    place = place_of(client, message);
    if (place == PLACE_NEW) {
        passed(client, message);
        return CLIENT_MESSAGE;
    }
    if (place == PLACE_AFTER_HOLE) {
        begin_catching_up(client);
        hold(client, topic_text, zmq_msg_size(topic), message_text, zmq_msg_size(text));
    }
    message_free(message);
    return CLIENT_AGAIN;
}

static int receive_live(struct client *client, struct message *message, struct why *why)
{
    int event = CLIENT_NOTHING, frames = 1;
    bool more;

    if (zmq_msg_recv(&client->topic, client->bus, ZMQ_DONTWAIT) >= 0) {
        for (more = zmq_msg_more(&client->topic); more; frames++)
            more = zmq_msg_recv(&client->text, client->bus, ZMQ_DONTWAIT) >= 0 && zmq_msg_more(&client->text);
        if (frames == 2) {
            event = hand_out_live(client, &client->topic, &client->text, message, why);
        } else {
            why_set(why, -EPROTO, "a message of %d frames instead of 2 was dropped", frames);
            event = CLIENT_BAD;
        }
    }
    return event;
}

int client_order_next(struct client *client, struct message *message, struct why *why)
{
    int event = CLIENT_NOTHING;

    if (client->catching_up && client->there
        && (client->asking == ASK_NOW || (client->asking == ASK_LATER && clock_steady_ms() >= client->due_ms)))
        event = ask(client, why);
    else if (client->chunk)
        event = hand_out_chunk(client, message, why);
    else if (client->catching_up && client->asking == ASKED)
        event = receive_reply(client, why);
    else if (client->catching_up && client->asking == NOT_ASKING)
        event = hand_out_held(client, message, why);
    if (event == CLIENT_NOTHING && client->bus)
        event = receive_live(client, message, why);
    return event;
}
