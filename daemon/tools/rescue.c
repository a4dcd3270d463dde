/* What is whole of a damaged journal; see rescue.h. */
#include "rescue.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "journal/journal_file.h"
#include "poise/program.h"

struct count {
    long long damaged; /* places */
    unsigned long long first_lost, last_lost;
};

static int pass_over(void *context, const struct journal_row *row)
{
    (void)context;
    (void)row;
    return 0;
}

static void count_damage(void *context, const struct journal_damage *damage)
{
    struct count *count = context;

    if (count->damaged++ == 0)
        count->first_lost = damage->first_seq;
    count->last_lost = damage->last_seq;
}

static void report(const char *from, const char *to, unsigned long long saved, const struct count *count, bool json)
{
    if (json)
        printf("{\"kind\":\"journal\",\"messages\":%llu,\"damaged\":%lld}\n", saved, count->damaged);
    else
        printf("%s: %llu messages that are whole are in %s\n", from, saved, to);
    if (count->damaged && count->last_lost)
        program_message("%s: %lld damaged place%s: messages are lost between %llu and %llu", from, count->damaged,
                        count->damaged == 1 ? "" : "s", count->first_lost, count->last_lost);
    else if (count->damaged)
        program_message("%s: %lld damaged place%s: messages from %llu on are lost", from, count->damaged,
                        count->damaged == 1 ? "" : "s", count->first_lost);
}

/* Whatever is wrong behind the first failure is damage: the rest has been carried over. */
static int rescue(struct journal_file *old, const char *from, const char *to, bool json)
{
    struct count count = { 0 };
    struct journal_file *fresh;
    unsigned long long saved;
    char aside[600];
    struct why why;

    if (journal_file_open(&fresh, to, aside, sizeof aside, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (journal_file_rows(old, 0, pass_over, count_damage, &count, &why) < 0)
        count.damaged++;
    saved = journal_file_carry_over(old, fresh);
    journal_file_close(fresh);
    report(from, to, saved, &count, json);
    return EXIT_DONE;
}

int rescue_run(const char *from, const char *to, bool json)
{
    struct journal_file *old;
    struct why why;
    int status;

    if (access(to, F_OK) == 0) {
        program_message("%s: there is a file already; name one that is not there", to);
        return EXIT_FAILED;
    }
    if (journal_file_open_to_read(&old, from, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    status = rescue(old, from, to, json);
    journal_file_close(old);
    return status;
}
