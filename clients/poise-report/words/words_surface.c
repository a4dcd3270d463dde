/* A surface over two numbers, in words and pictures; see words.h. */
#include "words.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <string.h>

enum { LINE_POINTS = 60, REGION_POINTS = 41 };

static void coefficients(const struct findings *findings, struct document *out)
{
    const struct surface *surface = &findings->surface;
    const char *x = call_of(findings->factor[0].name), *y = call_of(findings->factor[1].name);
    const char *const step = step_of(measure_name(findings->options->measure));
    char term[SURFACE_TERMS][160], titles[120];
    double reach = gsl_cdf_tdist_Pinv((1 + findings->confidence) / 2, surface->df);

    snprintf(term[0], sizeof term[0], "in the middle");
    snprintf(term[1], sizeof term[1], "%.60s", x);
    snprintf(term[2], sizeof term[2], "%.60s", y);
    snprintf(term[3], sizeof term[3], "%.60s, bent", x);
    snprintf(term[4], sizeof term[4], "%.60s, bent", y);
    snprintf(term[5], sizeof term[5], "both together");
    snprintf(titles, sizeof titles, "term|#%s from the middle to the end|%.4g %% interval", step,
             100 * findings->confidence);
    document_table(out, titles);
    for (int i = 0; i < SURFACE_TERMS; i++) {
        struct interval interval = { surface->coefficient[i] - reach * surface->error[i],
                                     surface->coefficient[i] + reach * surface->error[i] };
        char words[96];

        words_interval(interval, 2, "", words);
        document_row(out, "%s" CELL "%+.3f" CELL "%s", term[i], surface->coefficient[i], words);
    }
}

/* "water temperature 92.3 °C (91.5 to 93.1 °C)" */
void words_surface_place(const struct findings *findings, int factor, char out[240])
{
    const struct surface *surface = &findings->surface;
    const char *unit = unit_of(findings->factor[factor].name);
    char interval[96];

    words_interval(surface->where[factor], 1, unit, interval);
    snprintf(out, 240, "%.80s %.*f%s%s (%.90s)", call_of(findings->factor[factor].name),
             words_decimals(surface->where[factor], 1), surface->at[factor], *unit ? " " : "", unit, interval);
}

/* Seen from above: the region in which the top may lie, the top, and what was brewed. */
static void region_picture(const struct findings *findings, struct document *out)
{
    const struct surface *surface = &findings->surface;
    const char *x = findings->factor[0].name, *y = findings->factor[1].name;
    double critical = 2 * gsl_cdf_fdist_Pinv(findings->confidence, 2, surface->df);
    char x_label[160], y_label[160];
    struct chart *chart;
    struct chart_series *region, *top, *brewed;

    snprintf(x_label, sizeof x_label, "%.60s%s%s", call_of(x), *unit_of(x) ? ", " : "", unit_of(x));
    snprintf(y_label, sizeof y_label, "%.60s%s%s", call_of(y), *unit_of(y) ? ", " : "", unit_of(y));
    chart = chart_new("surface", "Where the top lies", x_label, y_label);
    if (!chart)
        return;
    brewed = chart_series(chart, "brewed");
    region = chart_series(chart, "where the top may lie");
    top = chart_series(chart, "top");
    for (int i = 0; i < findings->level_count && brewed; i++)
        chart_point(brewed, findings->factor[0].level[findings->level[i].level[0]].number,
                    findings->factor[1].level[findings->level[i].level[1]].number, NAN, true, "brewed");
    for (int i = 0; i < REGION_POINTS && region; i++)
        for (int j = 0; j < REGION_POINTS; j++) {
            double u = 2.0 * i / (REGION_POINTS - 1) - 1, v = 2.0 * j / (REGION_POINTS - 1) - 1;
            double at_x = surface->middle[0] + surface->half[0] * u, at_y = surface->middle[1] + surface->half[1] * v;

            if (surface_gradient_t2(surface, at_x, at_y) <= critical)
                chart_point(region, at_x, at_y, NAN, false, "the top may lie here");
        }
    if (top)
        chart_point(top, surface->at[0], surface->at[1], NAN, false, "the top");
    document_chart(out, chart);
}

/* Along the first number, one line for each level of the second. */
static void lines_picture(const struct findings *findings, struct document *out)
{
    const struct surface *surface = &findings->surface;
    const struct factor *second = &findings->factor[1];
    const char *x = findings->factor[0].name, *measure = measure_name(findings->options->measure);
    char x_label[160], y_label[160], level[WORDS_SIZE], name[64];
    struct chart *chart;

    snprintf(x_label, sizeof x_label, "%.60s%s%s", call_of(x), *unit_of(x) ? ", " : "", unit_of(x));
    snprintf(y_label, sizeof y_label, "%s, %s", call_of(measure), unit_of(measure));
    chart = chart_new("surface-lines", "The surface along its levels", x_label, y_label);
    for (int i = 0; i < second->level_count && chart; i++) {
        struct chart_series *series;

        findings_level_call(second, i, level);
        snprintf(name, sizeof name, "%.30s %.30s", call_of(second->name), level);
        series = chart_series(chart, name);
        for (size_t j = 0; j < findings->point_count && series; j++)
            if (findings->point[j].level[1] == i)
                chart_point(series, findings->factor[0].level[findings->point[j].level[0]].number, findings->point[j].y,
                            NAN, false, findings->point[j].cup->brew);
        for (int j = 0; j < LINE_POINTS && series; j++) {
            double at = surface->middle[0] + surface->half[0] * (2.0 * j / (LINE_POINTS - 1) - 1);

            chart_curve(series, at, surface_at(surface, at, second->level[i].number), NAN, NAN);
        }
    }
    if (chart)
        document_chart(out, chart);
}

void words_surface(const struct findings *findings, struct document *out, bool charts)
{
    static const char *const kinds[] = { "a top", "a bottom", "a saddle" };
    const struct surface *surface = &findings->surface;
    const char *step = step_of(measure_name(findings->options->measure));
    char places[2][240], p[32];

    if (!findings->has_surface)
        return;
    document_add(out, BLOCK_HEADING, "The surface over both");
    coefficients(findings, out);
    document_add(out, BLOCK_TEXT, "Second order, by least squares; cups scatter by %.2f %s around it.", surface->spread,
                 step);
    if (surface->has_lack) {
        words_p(surface->lack.p, p);
        document_add(out, findings->surface_misfit ? BLOCK_CAUTION : BLOCK_TEXT,
                     "Lack of fit against replicates: F %.2f on %.0f and %.0f degrees of freedom, p %s%s.",
                     surface->lack.f, surface->lack.df, surface->lack.df_pure, p,
                     findings->surface_misfit ? ": the true surface is another, and no top is claimed" : "");
    }
    for (int f = 0; f < FACTORS; f++)
        words_surface_place(findings, f, places[f]);
    if (findings->has_top)
        document_add(out, BLOCK_TEXT, "It is highest at %s and %s: %.2f %s of %s there.", places[0], places[1],
                     surface->value, unit_of(measure_name(findings->options->measure)),
                     call_of(measure_name(findings->options->measure)));
    else
        document_add(out, BLOCK_TEXT,
                     "No top is shown: the surface has %s, and where it lies these cups do not bound within what was "
                     "brewed.",
                     kinds[surface->kind]);
    if (!charts)
        return;
    lines_picture(findings, out);
    if (findings->has_top)
        region_picture(findings, out);
}
