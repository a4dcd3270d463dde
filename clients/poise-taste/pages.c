/* The pages to print: codes for everybody, the map for the helper, never on one sheet. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "poise/program.h"
#include "taste.h"

static void print_escaped(FILE *page, const char *text)
{
    for (; *text; text++)
        switch (*text) {
        case '<':
            fputs("&lt;", page);
            break;
        case '>':
            fputs("&gt;", page);
            break;
        case '&':
            fputs("&amp;", page);
            break;
        case '"':
            fputs("&quot;", page);
            break;
        default:
            fputc(*text, page);
        }
}

static void print_head(FILE *page, const char *title, const char *name)
{
    fprintf(page,
            "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" "
            "content=\"width=device-width\"><title>%s</title><style>"
            "body{font:16px/1.4 sans-serif;margin:1.5rem;max-width:60rem}"
            "section{break-inside:avoid;border-top:1px solid #888;padding:.6rem 0}h2{font-size:1.1rem}"
            "div{display:flex;flex-wrap:wrap;gap:1rem}figure{margin:0;border:2px solid;padding:.4rem .8rem;"
            "min-width:8rem}b{font-size:3rem;display:block;letter-spacing:.1em}</style><h1>%s: ",
            title, title);
    print_escaped(page, name);
    fputs("</h1>", page);
}

static void print_set_name(FILE *page, const struct tasting_session *session, int set)
{
    int of, number = tasting_sheet_number(session, set, &of);

    fputs("<section><h2>", page);
    print_escaped(page, session->taster[session->of[set].taster]);
    if (session->of[set].warm_up)
        fputs(", warm-up</h2>", page);
    else
        fprintf(page, ", set %d</h2>", number);
}

/* Codes large enough to be cut out, how the cups are poured, and room for the two hashes. */
static void print_codes(FILE *page, const struct tasting_record *record)
{
    const struct tasting_session *session = &record->session;
    char noted[TASTING_SHORT_SIZE];

    print_head(page, "Codes", session->name);
    fprintf(
        page,
        "<p>%s. Cups of %d ml, all alike, filled alike, equally warm, none so hot that a sip scalds. Each taster: %d "
        "cups; %s; %d s of rest and a rinse with water between sets.</p>",
        tasting_method_name(session->method), session->cup_ml, taste_cups_each(session),
        session->swallow ? "swallow" : "spit", session->rest_s);
    for (int set = 0; set < session->sets; set++) {
        print_set_name(page, session, set);
        fputs("<div>", page);
        for (int cup = 0; cup < session->set[set].cups; cup++)
            fprintf(page, "<figure><b>%d</b></figure>", session->set[set].code[cup]);
        fputs("</div></section>", page);
    }
    fprintf(page,
            "<p>Hash noted at the beginning: <strong>%s</strong></p><p>Hash over all answers, noted before the key is "
            "opened: ____ ____ ____ ____</p></html>\n",
            tasting_short(record->row.seal, noted));
}

/* Letters beside codes; what the letters are stands at the foot, to be folded back. */
static void print_map(FILE *page, const struct tasting_record *record)
{
    const struct tasting_session *session = &record->session;
    char noted[TASTING_SHORT_SIZE];

    print_head(page, "Map, for the helper only", session->name);
    fputs("<p>Keep this out of the tasters' sight. It is written down that it was printed.</p>", page);
    for (int set = 0; set < session->sets; set++) {
        print_set_name(page, session, set);
        fputs("<p>", page);
        for (int cup = 0; cup < session->set[set].cups; cup++)
            fprintf(page, "%s%d %c", cup ? ", " : "", session->set[set].code[cup], 'A' + session->set[set].sample[cup]);
        if (session->set[set].reference >= 0)
            fprintf(page, "; open cup: %c", 'A' + session->set[set].reference);
        fputs("</p></section>", page);
    }
    fputs("<section><h2>Letters</h2>", page);
    for (int i = 0; i < session->sample_count; i++) {
        fprintf(page, "<p>%c: ", 'A' + i);
        print_escaped(page, session->sample[i].label);
        fputs(" (", page);
        print_escaped(page, session->sample[i].brews);
        fputs(")</p>", page);
    }
    fprintf(page, "</section><p>Hash noted at the beginning: <strong>%s</strong></p></html>\n",
            tasting_short(record->row.seal, noted));
}

int taste_page(const char *path, const struct tasting_record *record, bool map)
{
    int file = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, map ? 0600 : 0644);
    FILE *page = file < 0 ? NULL : fdopen(file, "w");
    bool failed;

    if (!page) {
        program_message(errno == EEXIST ? "%s: is there already, and stays as it is: name another file" : "%s: %m",
                        path);
        if (file >= 0)
            close(file);
        return EXIT_FAILED;
    }
    if (map)
        print_map(page, record);
    else
        print_codes(page, record);
    failed = ferror(page);
    if (fclose(page) != 0 || failed) {
        program_message("%s: could not be written whole: %m", path);
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}
