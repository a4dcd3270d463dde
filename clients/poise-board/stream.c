/* Streams of server-sent events; see web.h.  A stream holds at most what is going out and the wish for the newest. */
#include <stdlib.h>
#include <string.h>

#include "web_parts.h"

static const char beat_text[] = "event: beat\ndata:\n\n";
enum { BLOCK = 16384 };

static struct frame *frame_new(const struct text *text)
{
    static const char before[] = "data: ", after[] = "\n\n";
    size_t length = sizeof before - 1 + text->length + sizeof after - 1;
    struct frame *frame = text->failed ? NULL : malloc(sizeof *frame + length);

    if (!frame)
        return NULL;
    frame->users = 1;
    frame->length = length;
    memcpy(frame->data, before, sizeof before - 1);
    memcpy(frame->data + sizeof before - 1, text->data, text->length);
    memcpy(frame->data + length - (sizeof after - 1), after, sizeof after - 1);
    return frame;
}

static void frame_drop(struct frame *frame)
{
    if (frame && --frame->users == 0)
        free(frame);
}

void web_stream_free(struct stream *stream)
{
    if (!stream)
        return;
    frame_drop(stream->first);
    frame_drop(stream->sending);
    if (stream->next)
        stream->next->before = stream->before;
    if (stream->before)
        stream->before->next = stream->next;
    else
        stream->web->stream = stream->next;
    stream->web->streams--;
    if (stream->web->streams == 0) {
        frame_drop(stream->web->frame);
        stream->web->frame = NULL;
    }
    free(stream);
}

/* What goes out next; false: nothing. */
static bool next_frame(struct stream *stream)
{
    frame_drop(stream->sending);
    stream->sent = 0;
    stream->sending = stream->first;
    stream->first = NULL;
    if (stream->sending)
        return true;
    if (stream->fresh && stream->web->frame) {
        stream->sending = stream->web->frame;
        stream->sending->users++;
        stream->fresh = stream->beat = false;
        return true;
    }
    return false;
}

static ssize_t read_stream(void *context, uint64_t position, char *out, size_t most)
{
    struct stream *stream = context;
    size_t length;

    (void)position;
    if (stream->over)
        return MHD_CONTENT_READER_END_OF_STREAM;
    if ((!stream->sending || stream->sent == stream->sending->length) && !next_frame(stream)) {
        if (stream->beat && most >= sizeof beat_text - 1) {
            stream->beat = false;
            memcpy(out, beat_text, sizeof beat_text - 1);
            return sizeof beat_text - 1;
        }
        stream->idle = true;
        MHD_suspend_connection(stream->connection);
        return 0;
    }
    length = stream->sending->length - stream->sent;
    length = length < most ? length : most;
    memcpy(out, stream->sending->data + stream->sent, length);
    stream->sent += length;
    return (ssize_t)length;
}

void request_stream(struct request *request, long long device, const struct text *first)
{
    struct stream *stream = calloc(1, sizeof *stream);
    struct MHD_Response *response =
        stream ? MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, BLOCK, read_stream, stream, NULL) : NULL;

    if (!response) {
        free(stream);
        request_refuse(request, MHD_HTTP_INTERNAL_SERVER_ERROR, "out of memory");
        return;
    }
    stream->web = request->web;
    stream->connection = request->connection;
    stream->device = device;
    stream->first = frame_new(first);
    stream->next = request->web->stream;
    if (stream->next)
        stream->next->before = stream;
    request->web->stream = stream;
    request->web->streams++;
    request->stream = stream;
    MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_TYPE, "text/event-stream");
    MHD_add_response_header(response, MHD_HTTP_HEADER_CONNECTION, "close");
    web_dress(request, response);
    request->status = MHD_HTTP_OK;
    request->response = response;
    request->answered = true;
}

static void wake(struct stream *stream)
{
    if (!stream->idle)
        return;
    stream->idle = false;
    MHD_resume_connection(stream->connection);
}

void web_push(struct web *web, const struct text *text)
{
    struct frame *frame = frame_new(text);

    if (!frame)
        return; /* the next one is another try */
    frame_drop(web->frame);
    web->frame = frame;
    for (struct stream *stream = web->stream; stream; stream = stream->next) {
        stream->fresh = true;
        wake(stream);
    }
    web_run(web);
}

void web_beat(struct web *web)
{
    for (struct stream *stream = web->stream; stream; stream = stream->next) {
        stream->beat = true;
        wake(stream);
    }
    web_run(web);
}

void web_sift(struct web *web, bool (*stays)(long long device, void *context), void *context)
{
    for (struct stream *stream = web->stream; stream; stream = stream->next)
        if (!stays(stream->device, context)) {
            stream->over = true;
            wake(stream);
        }
    web_run(web);
}

int web_streams(const struct web *web)
{
    return web->streams;
}
