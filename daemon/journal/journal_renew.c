/* The journal's file is another one from now on: it was damaged, deleted or replaced.  What the old one has is carried
 * over as far as it is whole. */
#include <errno.h>

#include "journal_parts.h"

static void report(struct journal *journal, const struct why *why)
{
    struct journal_news news = { .kind = JOURNAL_RENEWED, .why = *why };

    pthread_mutex_lock(&journal->lock);
    journal->idle_cursor = 0;
    journal_report_locked(journal, &news);
    pthread_mutex_unlock(&journal->lock);
}

void journal_renew_damaged(struct journal *journal, struct why *why)
{
    char aside[600] = "", again[600];
    struct journal_file *old;
    struct why said;
    uint64_t saved = 0;

    if (journal->file) {
        journal_file_close(journal->file);
        journal->file = NULL;
        if (journal_file_set_aside(journal->path, aside, sizeof aside, why) != 0)
            return;
    }
    if (journal_file_open(&journal->file, journal->path, again, sizeof again, why) != 0)
        return;
    if (journal_file_open_to_read(&old, aside[0] ? aside : again, &said) == 0) {
        saved = journal_file_carry_over(old, journal->file);
        journal_file_close(old);
    }
    why_set(&said, 0,
            "journal %s: damaged; it is kept as %s and a new one was begun, with %llu messages that are whole",
            journal->path, aside[0] ? aside : again, (unsigned long long)saved);
    report(journal, &said);
}

/* The file is there and only its log is not. */
static void open_again(struct journal *journal, struct why *why)
{
    char aside[600];

    journal_file_close(journal->file);
    journal->file = NULL;
    journal_file_open(&journal->file, journal->path, aside, sizeof aside, why);
}

void journal_renew_lost(struct journal *journal, enum journal_place place, struct why *why)
{
    struct journal_file *old = journal->file, *new;
    char aside[600];
    struct why said;
    uint64_t saved;

    if (place == JOURNAL_WITHOUT_LOG) {
        why_set(&said, 0, "journal %s: its log was deleted while it was in use; what was in it is saved",
                journal->path);
        open_again(journal, why);
    } else {
        journal_file_give_up_path(old);
        if (journal_file_open(&new, journal->path, aside, sizeof aside, why) != 0)
            return;
        saved = journal_file_carry_over(old, new);
        journal_file_close(old);
        journal->file = new;
        why_set(
            &said, 0,
            "journal %s: the file was deleted or replaced while it was in use; the one there now goes on, with %llu "
            "messages that were only in the old one",
            journal->path, (unsigned long long)saved);
    }
    if (journal->file)
        report(journal, &said);
}
