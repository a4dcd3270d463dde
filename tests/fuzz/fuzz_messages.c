/* Any bytes as messages from a bench, a topic and a text on two lines each: refused with a sentence, or taken, written
 * again alike, and drawn from by a screen.  What a screen makes of hostile numbers is a number or none. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/view.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

/* What was taken can be written, and what was written is the same message. */
static void check_again(const struct message *message)
{
    char text[MESSAGE_SIZE], again[MESSAGE_SIZE], topic[TOPIC_SIZE];
    int length = message->kind == MESSAGE_STATE ? -1 : message_write(message, text, sizeof text);
    struct message read;
    struct why why;

    if (length < 0) /* a state is written elsewhere; a plan may be longer than a message */
        return;
    if (message_read(topic, (size_t)message_topic(message, topic), text, (size_t)length, &read, &why) != 0
        || message_write(&read, again, sizeof again) != length || memcmp(text, again, (size_t)length) != 0)
        abort();
    message_free(&read);
}

static void draw(const struct view *view, int64_t local_us)
{
    struct view_bell heard = { 0 };
    struct guide guide;
    int64_t now_us = view_now_us(view, local_us);

    (void)view_time_us(view, local_us);
    for (int i = 0; i < view->stations; i++) {
        const struct view_station *station = &view->station[i];

        (void)station_steep_s(station, now_us);
        (void)station_stage_s(station, now_us);
        (void)station_age_s(station, now_us);
        (void)station_share(station, station_steep_s(station, now_us));
        (void)station_final_s(station);
        (void)station_brewing(station);
        (void)station_run_before(station);
        station_guide(view, station, now_us, &guide);
    }
    (void)view_bell(view, &heard, now_us);
}

static const char *line_end(const char *text, const char *end)
{
    const char *found = memchr(text, '\n', (size_t)(end - text));

    return found ? found : end;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    static struct view view;
    const char *at = (const char *)data, *end = at + length;
    int64_t local_us = 1000000;

    view_begin(&view, NAN);
    while (at < end) {
        const char *topic_end = line_end(at, end), *text = topic_end < end ? topic_end + 1 : end;
        const char *text_end = line_end(text, end);
        struct message message;
        struct why why = { "" };

        if (message_read(at, (size_t)(topic_end - at), text, (size_t)(text_end - text), &message, &why) == 0) {
            check_again(&message);
            view_message(&view, &message, local_us);
            draw(&view, local_us += 500000);
            message_free(&message);
        } else if (!why.text[0] || strpbrk(why.text, "\r\n")) {
            abort();
        }
        at = text_end < end ? text_end + 1 : end;
    }
    return 0;
}
