/* poise-report brews: cups as a table. */
#include "report.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/program.h"
#include "words/words.h"

void number_words(const struct cup *cup, enum measure measure, char out[32])
{
    if (isnan(cup->measures.value[measure]))
        out[0] = '\0';
    else
        snprintf(out, 32, "%s%.*f", cup->above >> measure & 1 ? ">" : "", decimals_shown(measure),
                 cup->measures.value[measure]);
}

/* "steep time 120 s, stir swirl" */
static void factors_words(const struct cup *cup, char out[WORDS_SIZE])
{
    const char *name;
    json_t *value;
    size_t length = 0;

    out[0] = '\0';
    json_object_foreach(cup->factors, name, value)
    {
        char level[WORDS_SIZE], words[WORDS_SIZE];

        if (!cup_level(cup, name, level) || length >= WORDS_SIZE)
            continue;
        state_level(name, json_is_number(value), level, words);
        length += (size_t)snprintf(out + length, WORDS_SIZE - length, "%s%.40s %.40s", length ? ", " : "",
                                   call_of(name), words);
    }
    text_make_valid(out);
}

/* "2026-11-25 10:06" */
static void began_words(const struct cup *cup, char out[UTC_SIZE])
{
    snprintf(out, UTC_SIZE, "%.16s", cup->began_utc);
    if (strlen(out) > 10)
        out[10] = ' ';
}

int report_brews(const struct request *request)
{
    static const enum measure shown[] = { MEASURE_DOSE_G,        MEASURE_WATER_G,        MEASURE_BEVERAGE_G,
                                          MEASURE_STEEP_S,       MEASURE_PRESS_PEAK_KPA, MEASURE_STRENGTH_PCT,
                                          MEASURE_EXTRACTION_PCT };
    enum { SHOWN = sizeof shown / sizeof *shown };
    struct document document = { NULL, 0, false };
    struct cups cups;
    struct why why;
    int status;

    if (cups_load(store_database(request->store), &request->filter, &cups, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (request->csv) {
        status = cups_csv(&cups, stdout);
    } else if (request->json) {
        status = EXIT_DONE;
        for (size_t i = 0; i < cups.count && status == EXIT_DONE; i++) {
            json_t *cup = cup_json(&cups.cup[i]);

            if (!cup || json_dumpf(cup, stdout, JSON_COMPACT | JSON_REAL_PRECISION(12)) != 0)
                status = EXIT_FAILED;
            else
                putchar('\n');
            json_decref(cup);
        }
        if (status != EXIT_DONE)
            program_message("not enough memory for the brews");
    } else {
        char titles[160];

        snprintf(titles, sizeof titles,
                 "brew|began, UTC|#dose g|#water g|#beverage g|#steep time s|#peak %s|#strength %%|#extraction "
                 "%%|experiment|factors|plan",
                 unit_of("press_peak_kpa"));
        document_table(&document, titles);
        for (size_t i = 0; i < cups.count; i++) {
            const struct cup *cup = &cups.cup[i];
            char number[SHOWN][32], factors[WORDS_SIZE], began[UTC_SIZE];

            for (int j = 0; j < SHOWN; j++)
                number_words(cup, shown[j], number[j]);
            factors_words(cup, factors);
            began_words(cup, began);
            document_row(&document,
                         "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL
                         "%s" CELL "%s" CELL "%s",
                         cup->brew, began, number[0], number[1], number[2], number[3], number[4], number[5], number[6],
                         cup->experiment ? cup->experiment : "", factors, cup->plan_kept == 0 ? "not kept" : "");
        }
        status = report_out(request, &document, "Brews");
    }
    document_free(&document);
    cups_free(&cups);
    return status;
}
