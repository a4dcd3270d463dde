/* The commands about experiments: one of them, and which there are. */
#include "forms/r_script.h"
#include "report.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include "poise/program.h"
#include "words/words.h"

/* The nearest names there are, for a sentence. */
static int no_such(sqlite3 *database, const char *name, struct why *why)
{
    static const char sql[] = "SELECT group_concat(name, ', ') FROM (SELECT e.name AS name FROM experiment e JOIN "
                              "brew b USING (experiment_id) GROUP BY e.name ORDER BY max(b.began_us) DESC LIMIT 5)";
    sqlite3_stmt *statement = NULL;
    int error;

    if (sqlite3_prepare_v2(database, sql, -1, &statement, NULL) == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW
        && sqlite3_column_text(statement, 0))
        error = why_set(why, -ENOENT, "there is no experiment '%s'; the latest are %s", name,
                        sqlite3_column_text(statement, 0));
    else
        error =
            why_set(why, -ENOENT,
                    "there is no experiment '%s', nor any other: load a plan with poise-ctl plan load, and brew", name);
    sqlite3_finalize(statement);
    return error;
}

static void load_title(sqlite3 *database, const char *name, char *out, size_t size)
{
    sqlite3_stmt *statement = NULL;

    out[0] = '\0';
    if (sqlite3_prepare_v2(database, "SELECT title FROM experiment WHERE name = ?1", -1, &statement, NULL)
        == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, name, -1, SQLITE_STATIC);
        if (sqlite3_step(statement) == SQLITE_ROW && sqlite3_column_text(statement, 0))
            snprintf(out, size, "%s", (const char *)sqlite3_column_text(statement, 0));
        text_make_valid(out);
    }
    sqlite3_finalize(statement);
}

/* Are there so few cups that everything is asked of them?  No more are counted than that takes. */
static bool are_few(sqlite3 *database, const char *name)
{
    static const char sql[] = "SELECT 1 FROM brew JOIN experiment e USING (experiment_id) WHERE e.name = ?1 LIMIT 1"
                              " OFFSET ?2";
    sqlite3_stmt *statement = NULL;
    bool more = true;

    if (sqlite3_prepare_v2(database, sql, -1, &statement, NULL) == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, name, -1, SQLITE_STATIC);
        sqlite3_bind_int(statement, 2, BESIDE_CUPS_MOST);
        more = sqlite3_step(statement) == SQLITE_ROW;
    }
    sqlite3_finalize(statement);
    return !more;
}

/* The measures that a report about this experiment asks for: the one judged, those varied, what a change of ratio
 * is seen by, and what the press did. */
static int find_measures(sqlite3 *database, const char *name, enum measure judged, unsigned *out, struct why *why)
{
    static const char sql[] = "SELECT DISTINCT b.factors FROM brew b JOIN experiment e USING (experiment_id)"
                              " WHERE e.name = ?1";
    enum {
        OF_PRESS = 1U << MEASURE_PRESS_PEAK_KPA | 1U << MEASURE_PRESS_MEAN_KPA | 1U << MEASURE_PRESS_S
                   | 1U << MEASURE_DRIP_G | 1U << MEASURE_BEVERAGE_G | 1U << MEASURE_WATER_G
                   | 1U << MEASURE_RETAINED_G_PER_G
    };
    unsigned measures = cups_basis(judged) | 1U << MEASURE_PRESSED_DRY | 1U << MEASURE_BEVERAGE_G;
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    if (are_few(database, name))
        measures |= findings_beside_measures();
    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, name, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *text = (const char *)sqlite3_column_text(statement, 0), *factor;
        json_t *factors = text ? json_loads(text, JSON_REJECT_DUPLICATES, NULL) : NULL, *level;

        json_object_foreach(factors, factor, level)
        {
            int measure = measure_find(factor);

            if (measure >= 0)
                measures |= 1U << measure;
            if (strncmp(factor, "press", 5) == 0 || measure == MEASURE_DRIP_G)
                measures |= OF_PRESS;
            if (changes_ratio(factor))
                measures |= cups_basis(MEASURE_EXTRACTION_PCT) | cups_basis(MEASURE_EXTRACTION_TOTAL_PCT)
                            | cups_basis(MEASURE_RETAINED_G_PER_G);
        }
        json_decref(factors);
    }
    if (sqlite3_finalize(statement) != SQLITE_OK)
        return why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
    *out = measures;
    return 0;
}

int experiment_load(const struct request *request, const char *name, bool whole, struct cups *cups,
                    struct findings *findings, struct why *why)
{
    sqlite3 *database = store_database(request->store);
    struct cups_filter filter = { .experiment = name };
    int error = whole ? 0 : find_measures(database, name, request->options.measure, &filter.measures, why);

    if (!error)
        error = cups_load(database, &filter, cups, why);
    if (error)
        return error;
    if (!cups->count)
        error = no_such(database, name, why);
    else
        error = findings_make(database, name, cups, &request->options, findings, why);
    if (error)
        cups_free(cups);
    else
        load_title(database, name, findings->title, sizeof findings->title);
    return error;
}

/* --- output --- */

static int terminal_width(void)
{
    struct winsize size;

    if (isatty(STDOUT_FILENO) && ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col >= 40)
        return size.ws_col > 120 ? 120 : size.ws_col; /* longer lines are hard to read */
    return 100;
}

static int html_out(const struct request *request, const struct document *document, const char *title)
{
    FILE *file = fopen(request->html, "we");
    bool failed;

    if (!file) {
        program_message("%s: cannot be written: %s", request->html, strerror(errno));
        return EXIT_FAILED;
    }
    document_html(document, title, file);
    failed = ferror(file) != 0;
    failed = fclose(file) != 0 || failed;
    if (failed) {
        program_message("%s: could not be written whole: %s", request->html, strerror(errno));
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}

static int svg_out(const struct request *request, const struct document *document)
{
    char sentence[512];

    for (size_t i = 0; i < document->count; i++)
        if (document->block[i].chart
            && chart_gnuplot(document->block[i].chart, request->svg, sentence, sizeof sentence) < 0) {
            program_message("%s", sentence);
            return EXIT_FAILED;
        }
    return EXIT_DONE;
}

int report_out(const struct request *request, const struct document *document, const char *title)
{
    int status = EXIT_DONE;

    if (document->failed) {
        program_message("not enough memory for the report");
        return EXIT_FAILED;
    }
    if (request->html)
        status = html_out(request, document, title);
    if (request->svg && status == EXIT_DONE)
        status = svg_out(request, document);
    if (!request->html && !request->svg)
        document_text(document, stdout, terminal_width(), isatty(STDOUT_FILENO), program_colour());
    return status;
}

int json_out(json_t *value)
{
    int failed = value ? json_dumpf(value, stdout, JSON_INDENT(2) | JSON_PRESERVE_ORDER | JSON_REAL_PRECISION(12)) : -1;

    json_decref(value);
    if (failed) {
        program_message("not enough memory for the report");
        return EXIT_FAILED;
    }
    putchar('\n');
    return EXIT_DONE;
}

/* The SELECT behind the report, for whoever wants to see for himself. */
static int sql_out(const struct request *request)
{
    sqlite3 *database = store_database(request->store);
    struct cups_filter filter = { .experiment = request->name };
    struct why why;
    char *text;

    if (find_measures(database, request->name, request->options.measure, &filter.measures, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    text = cups_sql(database, &filter);
    if (text)
        printf("%s;\n", text);
    else
        program_message("reading the store: %s", sqlite3_errmsg(database));
    sqlite3_free(text);
    return text ? EXIT_DONE : EXIT_FAILED;
}

/* The cups as a table need no comparison that fits them. */
static int csv_out(const struct request *request)
{
    sqlite3 *database = store_database(request->store);
    struct cups_filter filter = { .experiment = request->name };
    struct cups cups;
    struct why why;
    int status, error = cups_load(database, &filter, &cups, &why);

    if (!error && !cups.count)
        error = no_such(database, request->name, &why);
    if (error) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    status = request->tall ? cups_csv_tall(&cups, stdout) : cups_csv(&cups, stdout);
    cups_free(&cups);
    return status;
}

int report_experiment(const struct request *request)
{
    bool whole = request->json || request->html || request->svg || request->r;
    struct document document = { NULL, 0, false };
    struct findings *findings = malloc(sizeof *findings);
    struct cups cups;
    struct why why = { "not enough memory" };
    int status;

    if (request->sql || (request->csv && !request->json)) {
        free(findings);
        return request->sql ? sql_out(request) : csv_out(request);
    }
    if (!findings || experiment_load(request, request->name, whole, &cups, findings, &why) < 0) {
        program_message("%s", why.text);
        free(findings);
        return EXIT_FAILED;
    }
    if (request->r) {
        status = r_write(findings, request->r);
    } else if (request->json) {
        status = json_out(findings_json(findings));
    } else {
        words_experiment(findings, &document, request->html || request->svg);
        overlay_document(store_database(request->store), findings, &document, request->html || request->svg);
        status = report_out(request, &document, findings->title[0] ? findings->title : findings->experiment);
    }
    document_free(&document);
    findings_free(findings);
    free(findings);
    cups_free(&cups);
    return status;
}

int report_experiments(const struct request *request)
{
    static const char sql[] = "SELECT e.name, e.title, count(*), sum(CASE WHEN b.plan_kept = 0 THEN 1 ELSE 0 END),"
                              " strftime('%Y-%m-%d', max(b.began_us) / 1000000, 'unixepoch') FROM experiment e"
                              " JOIN brew b USING (experiment_id) WHERE NOT b.discarded GROUP BY e.name ORDER BY "
                              "max(b.began_us)";
    struct document document = { NULL, 0, false };
    json_t *list = json_array();
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(store_database(request->store), sql, -1, &statement, NULL), status;

    document_table(&document, "experiment|#cups|#out of plan|last|title");
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *name = (const char *)sqlite3_column_text(statement, 0);
        const char *title = (const char *)sqlite3_column_text(statement, 1);
        const char *last = (const char *)sqlite3_column_text(statement, 4);

        document_row(&document, "%s" CELL "%d" CELL "%d" CELL "%s" CELL "%s", name, sqlite3_column_int(statement, 2),
                     sqlite3_column_int(statement, 3), last ? last : "", title ? title : "");
        json_array_append_new(list, json_pack("{s:s, s:s?, s:i, s:i, s:s?}", "experiment", name, "title", title, "cups",
                                              sqlite3_column_int(statement, 2), "out_of_plan",
                                              sqlite3_column_int(statement, 3), "last", last));
    }
    code = sqlite3_finalize(statement);
    if (code != SQLITE_OK) {
        program_message("reading the store: %s", sqlite3_errmsg(store_database(request->store)));
        status = EXIT_FAILED;
    } else if (request->json) {
        status = json_out(json_incref(list));
    } else if (json_array_size(list) == 0) {
        program_message("no experiment yet: load a plan with poise-ctl plan load, and brew");
        status = EXIT_DONE;
    } else {
        status = report_out(request, &document, "Experiments");
    }
    json_decref(list);
    document_free(&document);
    return status;
}
