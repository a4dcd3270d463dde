/* poise-ctl rescue: what can be read of a damaged store or journal, in a new file beside it. */
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>

#include "ctl.h"
#include "poise/program.h"
#include "poise/store.h"

/* Where an SQLite file names its kind: application_id, four bytes from the 68th on (www.sqlite.org/fileformat2.html);
 * "Pois" is a store, "PoJ1" a journal. */
enum { ID_AT = 68, ID_BYTES = 4 };

static int rescue_store(const struct ctl *ctl, const char *from, const char *to)
{
    struct store_rescued saved;
    struct why why;

    if (store_rescue(from, to, &saved, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (ctl->json)
        printf("{\"kind\":\"store\",\"brews\":%lld,\"rows\":%lld,\"damaged\":%lld,\"orphans\":%lld}\n", saved.brews,
               saved.rows, saved.damaged, saved.orphans);
    else
        printf("%s: %lld brew%s (%lld rows in all) are in %s\n", from, saved.brews, saved.brews == 1 ? "" : "s",
               saved.rows, to);
    if (saved.damaged)
        program_message(
            "%s: %lld place%s could not be read%s; poise-logger --store %s asks the bench for what it still has", from,
            saved.damaged, saved.damaged == 1 ? "" : "s",
            saved.orphans ? ", and rows of brews that are lost were left out" : "", to);
    return EXIT_DONE;
}

static int rescue_journal(const struct ctl *ctl, const char *from, const char *to)
{
    char *const arguments[] = { (char *)"poise-ctl",
                                (char *)"--rescue",
                                (char *)from,
                                ctl->json ? (char *)"--json" : (char *)"--",
                                ctl->json ? (char *)"--" : (char *)to,
                                ctl->json ? (char *)to : NULL,
                                NULL };

    return ctl_poised(arguments);
}

int command_rescue(const struct ctl *ctl)
{
    const char *from = ctl->words[0];
    char to[PATH_MAX], header[ID_AT + ID_BYTES];
    FILE *file = fopen(from, "re");
    size_t length = file ? fread(header, 1, sizeof header, file) : 0;

    if (!file) {
        program_message("%s: %s", from, strerror(errno));
        return EXIT_FAILED;
    }
    fclose(file);
    snprintf(to, sizeof to, "%s%s", ctl->word_count > 1 ? ctl->words[1] : from, ctl->word_count > 1 ? "" : ".rescued");
    if (length == sizeof header && memcmp(header + ID_AT, "Pois", ID_BYTES) == 0)
        return rescue_store(ctl, from, to);
    if (length == sizeof header && memcmp(header + ID_AT, "PoJ1", ID_BYTES) == 0)
        return rescue_journal(ctl, from, to);
    program_message("%s: is neither a store nor a journal of Poise, or its first page is damaged: nothing can be saved",
                    from);
    return EXIT_FAILED;
}
