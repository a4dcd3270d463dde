/* Work in a libuv worker; see job.h. */
#include "job.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { JOBS = 3 }; /* one worker of four stays free for orders */

static void work(uv_work_t *work)
{
    struct job *job = work->data;

    job->fill(job);
}

static void worked(uv_work_t *work, int status)
{
    struct job *job = work->data;

    (void)status;
    job->board->jobs--;
    if (*job->policy)
        request_add_header(job->request, "Content-Security-Policy", job->policy);
    if (job->status == 200) {
        request_reply_text(job->request, 200, job->type, &job->out);
    } else {
        request_refuse(job->request, job->status, job->why.text);
        text_free(&job->out);
    }
    explicit_bzero(job->body, strlen(job->body));
    free(job->body);
    free(job);
}

void board_work(struct board *board, struct request *request, void (*fill)(struct job *job), const char *first,
                const char *second, int number)
{
    size_t length;
    struct job *job = board->jobs < JOBS ? calloc(1, sizeof *job) : NULL;

    if (!job) {
        request_refuse(request, 503, "too much is being read at once: try again in a moment");
        return;
    }
    *job = (struct job){
        .board = board, .request = request, .fill = fill, .number = number, .status = 200, .type = "application/json"
    };
    snprintf(job->word[0], JOB_WORD_SIZE, "%s", first ? first : "");
    snprintf(job->word[1], JOB_WORD_SIZE, "%s", second ? second : "");
    job->body = strdup(request_body(request, &length));
    job->work.data = job;
    if (!job->body || uv_queue_work(&board->loop, &job->work, work, worked) < 0) {
        free(job->body);
        free(job);
        request_refuse(request, 500, "out of memory");
        return;
    }
    board->jobs++;
    request_wait(request);
}
