/* The journal's news: answers to those who asked, and troubles to be reported. */
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bench_parts.h"
#include "poise/program.h"

/* Open questions to the journal, and those of one user or client: one who asks without pause leaves room for others. */
enum { ASKING_OF_ONE_MOST = ASKING_MOST / 4 };

struct question {
    struct bus_peer peer;
    struct asker *asker;
    char id[120]; /* as JSON; empty: none */
};

void bench_asked_for(void *context, const char *device)
{
    struct bench *bench = context;

    snprintf(bench->asked_for, sizeof bench->asked_for, "%s", device);
}

void bench_read_by(void *context, const char *reader, uint64_t seq)
{
    struct bench *bench = context;

    journal_read_by(bench->journal, reader, seq);
}

char *bench_health(void *context)
{
    struct bench *bench = context;
    struct journal_reader readers[JOURNAL_READERS];
    int count = journal_readers(bench->journal, readers);
    struct text text = { 0 };

    text_print(&text, "{\"version\":\"%s\",\"last\":%" PRIu64 ",\"time_us\":%" PRId64 ",\"rate\":%g,\"journal\":",
               POISE_VERSION, bench->seq, clock_now(bench->clock).time_us, bench->clock->rate);
    text_string(&text, bench->config->journal);
    text_print(&text, ",\"readers\":[");
    for (int i = 0; i < count; i++) {
        text_print(&text, "%s{\"reader\":\"%s\",\"kept\":%" PRIu64 ",\"silent_s\":", i ? "," : "", readers[i].name,
                   readers[i].seq);
        text_number(&text, readers[i].silent_ms < 0 ? NAN : (double)readers[i].silent_ms / 1e3);
        text_add(&text, "}", 1);
    }
    text_print(&text, "]}");
    return text_taken(&text);
}

/* Who asks, and how much of it is open; one that has nothing open may be anybody.  There are as many as questions. */
static struct asker *asker_of(struct bench *bench, const struct guest *guest)
{
    struct asker *unused = NULL;

    for (int i = 0; i < ASKING_MOST; i++) {
        struct asker *asker = &bench->askers[i];

        if (asker->open && asker->owner == guest->owner && strcmp(asker->name, guest->name) == 0)
            return asker;
        if (!asker->open)
            unused = asker;
    }
    if (unused) {
        unused->owner = guest->owner;
        strcpy(unused->name, guest->name);
    }
    return unused;
}

int bench_ask_since(void *context, uint64_t after_seq, size_t most, const json_t *id)
{
    struct bench *bench = context;
    struct asker *asker = asker_of(bench, &bench->peer->guest);
    bool busy = !asker || bench->asking >= ASKING_MOST || asker->open >= ASKING_OF_ONE_MOST;
    struct question *question;
    char *text = id ? json_dumps(id, JSON_COMPACT | JSON_ENCODE_ANY) : NULL;
    int error;

    if (busy || !(question = calloc(1, sizeof *question))) {
        free(text);
        return busy ? -EBUSY : -ENOMEM;
    }
    question->peer = *bench->peer;
    question->asker = asker;
    if (text && strlen(text) < sizeof question->id)
        strcpy(question->id, text);
    free(text);
    if ((error = journal_ask(bench->journal, after_seq, most, question)) != 0)
        free(question);
    if (error == 0) {
        bench->asking++;
        asker->open++;
    }
    return error;
}

static void send_answer(struct bench *bench, const struct journal_news *news)
{
    struct question *question = news->question;
    struct text text = { 0 };

    bench->asking--;
    question->asker->open--;
    if (news->text) {
        text_print(&text, "{\"ok\":true,\"messages\":[");
        text_add(&text, news->text, news->length);
        text_print(&text, "],\"next\":%" PRIu64 ",\"last\":%" PRIu64 ",\"began_us\":%" PRId64 ",\"gone\":%" PRIu64,
                   news->next_seq, bench->seq, bench->journal_began_us, news->gone_seq);
    } else {
        text_print(&text, "{\"ok\":false,\"why\":");
        text_string(&text, news->why.text);
    }
    if (question->id[0])
        text_print(&text, ",\"id\":%s", question->id);
    text_add(&text, "}", 1);
    if (!text.failed)
        bus_reply(bench->bus, &question->peer, text.data, text.length);
    text_free(&text);
    free(question);
    free(news->text);
}

void bench_on_news(uv_async_t *handle)
{
    struct bench *bench = handle->data;
    struct journal_news news;

    while ((news = journal_news(bench->journal)).kind != JOURNAL_NOTHING) {
        if (news.kind == JOURNAL_ANSWER) {
            send_answer(bench, &news);
            continue;
        }
        bench->now = clock_now(bench->clock);
        program_message("%s", news.why.text);
        stations_warn(&bench->stations, NULL, NULL, "journal", "%s", news.why.text);
        if (news.kind == JOURNAL_RENEWED) {
            bench->journal_began_us = bench->now.time_us;
            bench_reserve(bench);
            journal_hold(bench->journal);
            bench_save(bench, true);
            journal_release(bench->journal, 0);
        }
    }
    if (bench->pending.length || bench->late_us) { /* also when the journal has only saved them */
        bench->now = clock_now(bench->clock);
        bench_settle(bench);
    }
}

void bench_wake(void *context)
{
    struct bench *bench = context;

    uv_async_send(&bench->news);
}
