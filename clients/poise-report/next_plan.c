/* The plan for the cups that poise-report next suggests. */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "next.h"
#include "poise/plan.h"
#include "poise/program.h"

/* Two levels closer than this share of the larger teach the same. */
static const double NEARLY_THE_SAME = 0.25;

/* One line of an INI file holds no line ends, and a semicolon begins a comment. */
static void ini_word(const char *text, FILE *out)
{
    for (; *text; text++)
        fputc((unsigned char)*text < 0x20 || *text == 0x7f ? ' ' : *text == ';' || *text == '#' ? ',' : *text, out);
}

static void ini_value(const json_t *value, FILE *out)
{
    if (json_is_string(value))
        ini_word(json_string_value(value), out);
    else
        fprintf(out, "%.10g", json_number_value(value));
}

/* With several cups to brew a plan asks, beside the best level, for the next best that is not nearly the same, or else
 * the one that is least so; so that what else the day does is not taken for the level. */
static const struct suggestion *partner_of(const struct findings *findings, const struct advice *advice)
{
    const struct suggestion *best = &advice->suggestion[0];
    int numeric = findings_numeric_factor(findings);
    const struct suggestion *farthest = NULL;
    double first = numeric >= 0 ? strtod(best->level[numeric], NULL) : 0, most = 0;

    for (int i = 1; i < advice->count; i++) {
        const struct suggestion *other = &advice->suggestion[i];
        double second = numeric >= 0 ? strtod(other->level[numeric], NULL) : 0;
        bool differs = false;

        for (int f = 0; f < findings->factor_count; f++)
            differs = differs || (f != numeric && strcmp(best->level[f], other->level[f]) != 0);
        if (differs || fabs(second - first) > NEARLY_THE_SAME * fmax(first, second))
            return other;
        if (fabs(second - first) > most) {
            most = fabs(second - first);
            farthest = other;
        }
    }
    return farthest;
}

/* The tolerances the experiment was brewed by, as its latest run carries them; NULL: none known. */
static json_t *latest_tolerances(sqlite3 *database, const char *experiment)
{
    static const char sql[] = "SELECT b.tolerances FROM brew b JOIN experiment e USING (experiment_id) WHERE e.name = "
                              "?1 AND b.tolerances IS NOT NULL ORDER BY b.began_us DESC LIMIT 1";
    sqlite3_stmt *statement = NULL;
    json_t *tolerances = NULL;

    if (sqlite3_prepare_v2(database, sql, -1, &statement, NULL) == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, experiment, -1, SQLITE_STATIC);
        if (sqlite3_step(statement) == SQLITE_ROW)
            tolerances = json_loads((const char *)sqlite3_column_text(statement, 0), JSON_REJECT_DUPLICATES, NULL);
    }
    sqlite3_finalize(statement);
    return tolerances;
}

static void ini_tolerance(const json_t *tolerances, const char *name, FILE *out)
{
    const json_t *tolerance = json_object_get(tolerances, name);

    if (json_is_number(tolerance))
        fprintf(out, " +- %.10g", json_number_value(tolerance));
    fputc('\n', out);
}

static char *plan_text(const struct findings *findings, const struct suggestion *best, const struct suggestion *partner,
                       const json_t *tolerances, int cups)
{
    const struct cup *cup = findings->point[0].cup;
    const char *name;
    char *text = NULL;
    size_t size;
    json_t *value;
    FILE *out = open_memstream(&text, &size);

    if (!out)
        return NULL;
    fputs("; more cups where they teach most, suggested by poise-report next\n[experiment]\nname = ", out);
    ini_word(findings->experiment, out);
    fputs("\ntitle = ", out);
    ini_word(findings->title[0] ? findings->title : findings->experiment, out);
    fprintf(out, "\nreplicates = %d\norder = random\n", cups);
    for (int held = partner ? 0 : 1; held < 2; held++) { /* what both levels have in common is held */
        fputs(held ? "\n[hold]\n" : "\n[vary]\n", out);
        for (int f = 0; f < findings->factor_count; f++) {
            bool same = !partner || strcmp(partner->level[f], best->level[f]) == 0;

            if (same != (held == 1))
                continue;
            ini_word(findings->factor[f].name, out);
            fputs(" = ", out);
            ini_word(best->level[f], out);
            if (!same) {
                fputs(", ", out);
                ini_word(partner->level[f], out);
            }
            ini_tolerance(tolerances, findings->factor[f].name, out);
        }
    }
    json_object_foreach(cup->recipe, name, value)
    {
        bool varied = false;

        for (int f = 0; f < findings->factor_count; f++)
            varied = varied || strcmp(name, findings->factor[f].name) == 0;
        if (varied || !(json_is_string(value) || json_is_number(value)))
            continue;
        ini_word(name, out);
        fputs(" = ", out);
        ini_value(value, out);
        ini_tolerance(tolerances, name, out);
    }
    if (fclose(out) != 0) {
        free(text);
        return NULL;
    }
    return text;
}

int next_write_plan(const struct findings *findings, const struct advice *advice, const struct request *request)
{
    json_t *tolerances = latest_tolerances(store_database(request->store), findings->experiment);
    const struct suggestion *partner = request->cups > 1 ? partner_of(findings, advice) : NULL;
    char *text = plan_text(findings, &advice->suggestion[0], partner, tolerances, request->cups);
    struct plan_mistakes mistakes;
    struct plan plan;
    struct why why = { "not enough memory" };
    FILE *file;
    bool failed;

    json_decref(tolerances);
    if (!text || plan_read(&plan, text, strlen(text), &mistakes, &why) < 0) {
        program_message("%s: no plan can be made of these cups: %s", request->plan, why.text);
        free(text);
        return EXIT_FAILED;
    }
    file = fopen(request->plan, "wxe"); /* somebody's plan is not overwritten */
    failed = !file || fputs(text, file) < 0;
    if (file)
        failed = fclose(file) != 0 || failed;
    free(text);
    if (failed) {
        program_message("%s: cannot be written: %s", request->plan, strerror(errno));
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}
