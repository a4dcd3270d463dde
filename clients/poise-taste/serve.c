/* poise-taste serve: the helper's sheet.  The one command that shows what is in the cups. */
#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "poise/program.h"
#include "taste.h"

static void print_alone(const struct tasting_session *session)
{
    puts("Alone at the bench.  For every set, label the cups underneath where you cannot see it, pour, close your\n"
         "eyes, shuffle the cups by hand until you have lost track, and line them up.  They are then called 1, 2, 3\n"
         "... from left to right.  Do not look underneath before all sets are answered.\n");
    for (int i = 0; i < session->sample_count; i++)
        printf("  %c = %s\n", 'A' + i, session->sample[i]);
    for (int set = 0; set < session->sets; set++) {
        bool other = set % 2; /* each sample is the odd one, or the pair, in turn */

        printf("\n  set %d: label", set + 1);
        if (session->method == TASTING_TRIANGLE)
            printf("%s", other ? " A B B" : " A A B");
        else if (session->method == TASTING_TWO_OF_FIVE)
            printf("%s", other ? " A A B B B" : " A A A B B");
        else
            for (int i = 0; i < session->sample_count; i++)
                printf(" %c", 'A' + i);
        if (session->method == TASTING_DUO_TRIO)
            printf(", and an open cup of A as the reference");
    }
    puts("");
}

static void print_sheet(const struct tasting_session *session, const struct tasting_set *sets)
{
    printf("FOR THE HELPER ONLY: keep this out of the tasters' sight.\nTasting %s, %s: %s\n", session->name,
           tasting_method_name(session->method), session->question);
    for (int set = 0; set < session->sets; set++) {
        printf("\nset %d, for %s%s%s, from left to right:\n", set + 1, session->taster[set],
               sets[set].reference >= 0 ? "; reference: " : "",
               sets[set].reference >= 0 ? session->sample[sets[set].reference] : "");
        for (int cup = 0; cup < sets[set].cups; cup++)
            printf("  %d  %s\n", sets[set].code[cup], session->sample[sets[set].sample[cup]]);
    }
    puts("\nSame cups, same fill, same temperature; hold hot cups by the handle; near-boiling coffee scalds.");
    printf("Seal (SHA-256 of the key): %s\n", session->seal);
}

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

static void print_page(FILE *page, const struct tasting_session *session, const struct tasting_set *sets)
{
    fputs("<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" "
          "content=\"width=device-width\"><title>Serving sheet</title><style>"
          "body{font:16px/1.4 sans-serif;margin:1.5rem;max-width:60rem}"
          "section{break-inside:avoid;border-top:1px solid #888;padding:.6rem 0}"
          "div{display:flex;flex-wrap:wrap;gap:1rem}figure{margin:0;border:2px solid;padding:.4rem .8rem;"
          "min-width:8rem}"
          "b{font-size:3rem;display:block;letter-spacing:.1em}figcaption{font-size:.9rem}</style>",
          page);
    fputs("<h1>For the helper only</h1><p>", page);
    print_escaped(page, session->name);
    fprintf(page, ", %s: ", tasting_method_name(session->method));
    print_escaped(page, session->question);
    fputs("</p><p>Same cups, same fill, same temperature; near-boiling coffee scalds.</p>", page);
    for (int set = 0; set < session->sets; set++) {
        fprintf(page, "<section><h2>Set %d, ", set + 1);
        print_escaped(page, session->taster[set]);
        fputs("</h2>", page);
        if (sets[set].reference >= 0) {
            fputs("<p>Reference: ", page);
            print_escaped(page, session->sample[sets[set].reference]);
            fputs("</p>", page);
        }
        fputs("<div>", page);
        for (int cup = 0; cup < sets[set].cups; cup++) {
            fprintf(page, "<figure><b>%d</b><figcaption>", sets[set].code[cup]);
            print_escaped(page, session->sample[sets[set].sample[cup]]);
            fputs("</figcaption></figure>", page);
        }
        fputs("</div></section>", page);
    }
    fprintf(page, "<p>Seal (SHA-256 of the key): %s</p></html>\n", session->seal);
}

static int write_page(const char *path, const struct tasting_session *session, const struct tasting_set *sets)
{
    FILE *page = fopen(path, "w");
    bool failed;

    if (!page) {
        program_say("%s: %s", path, strerror(errno));
        return EXIT_FAILED;
    }
    print_page(page, session, sets);
    failed = ferror(page);
    if (fclose(page) != 0 || failed) {
        program_say("%s: could not be written whole: %s", path, strerror(errno));
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}

int taste_serve(struct store *store, const struct options *options)
{
    static struct tasting_session session;
    static struct tasting_set sets[TASTING_SETS];
    struct why why;

    if (store_tasting_load(store, options->name, &session, &why) != 0 || store_tasting_sets(&session, sets, &why) < 0) {
        program_say("%s", why.text);
        return EXIT_FAILED;
    }
    if (session.alone) {
        print_alone(&session);
        return EXIT_DONE;
    }
    print_sheet(&session, sets);
    return options->html ? write_page(options->html, &session, sets) : EXIT_DONE;
}
