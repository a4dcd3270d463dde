/* Report pages: what poise-report prints is the page; see job.h. */
#include "run.h"

void report_fill(struct job *job)
{
    char *arguments[] = { (char *)"poise-report",
                          (char *)"--store",
                          job->board->store,
                          (char *)"--html",
                          (char *)"/dev/stdout",
                          (char *)"--",
                          job->word[0],
                          *job->word[1] ? job->word[1] : NULL,
                          NULL };

    job->type = "text/html; charset=utf-8";
    if (run_program(job, arguments, NULL))
        run_allow_style(job);
}
