/* The journal's file is another one from now on: it was damaged, deleted or replaced.  What the old one has is carried
 * over as far as it is whole. */
#include <string.h>

#include "journal_parts.h"

static void report(struct journal *journal, const struct why *why)
{
    struct journal_news news = { .kind = JOURNAL_RENEWED, .why = *why };

    pthread_mutex_lock(&journal->lock);
    journal->idle_cursor = journal->size_cursor = 0;
    journal->measured_ms = 0;
    for (int i = 0; i < journal->reader_count; i++)
        journal->readers[i].kept_seq = NOT_KEPT;
    journal_retain_gone(journal, journal->newest_seq);
    journal->gone_kept = NOT_KEPT;
    journal_report_locked(journal, &news);
    pthread_mutex_unlock(&journal->lock);
}

int journal_renew_open(struct journal *journal, struct why *said, struct why *why)
{
    struct journal_file *old;
    char aside[600];
    uint64_t saved = 0;
    struct why unread;
    int error = journal_file_open(&journal->file, journal->path, aside, sizeof aside, why);

    said->text[0] = '\0';
    if (!journal->aside[0])
        strcpy(journal->aside, aside);
    if (error || !journal->aside[0])
        return error;
    if (journal_file_open_to_read(&old, journal->aside, &unread) == 0) {
        saved = journal_file_carry_over(old, journal->file);
        journal_file_close(old);
    }
    why_set(
        said, 0,
        "journal %s: damaged; it is kept as %s (for `poise-ctl rescue`) and a new one was begun, with %llu messages that are whole",
        journal->path, journal->aside, (unsigned long long)saved);
    journal->aside[0] = '\0';
    return 0;
}

int journal_renew_set_aside(struct journal *journal, struct why *why)
{
    int error;

    journal_file_close(journal->file);
    journal->file = NULL;
    if ((error = journal_file_set_aside(journal->path, journal->aside, sizeof journal->aside, why)) != 0)
        journal->aside[0] = '\0';
    return error;
}

void journal_renew_damaged(struct journal *journal, struct why *why)
{
    struct why said;

    if (journal->file && journal_renew_set_aside(journal, why) != 0)
        return;
    /* where an earlier try found no room, the file may be whole */
    if (journal_renew_open(journal, &said, why) == 0 && said.text[0])
        report(journal, &said);
}

void journal_renew_lost(struct journal *journal, enum journal_place place, struct why *why)
{
    struct journal_file *old = journal->file, *new;
    char aside[600];
    struct why said, damaged;
    uint64_t saved;

    if (place == JOURNAL_WITHOUT_LOG) { /* the file itself is there */
        why_set(&said, 0, "journal %s: its log was deleted while it was in use; what was in it is saved",
                journal->path);
        journal_file_close(old);
        journal->file = NULL;
        if (journal_renew_open(journal, &damaged, why) == 0 && damaged.text[0])
            said = damaged;
    } else {
        journal_file_give_up_path(old);
        if (journal_file_open(&new, journal->path, aside, sizeof aside, why) != 0)
            return;
        saved = journal_file_carry_over(old, new);
        journal_file_close(old);
        journal->file = new;
        why_set(
            &said, 0,
            "journal %s: the file was deleted or replaced while it was in use; the file there now is used from here on, with %llu "
            "messages that were only in the old one%s%s%s",
            journal->path, (unsigned long long)saved, aside[0] ? "; what was put there is damaged and kept as " : "",
            aside, aside[0] ? " (for `poise-ctl rescue`)" : "");
    }
    report(journal, &said);
}
