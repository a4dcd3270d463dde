/* A chart as a gnuplot script with its data inside, kept beside the picture it draws, for whoever wants
 * another look.  gnuplot is started without a shell. */
#include "document.h"

#include <errno.h>
#include <math.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

/* In double quotes gnuplot reads backslashes and backquotes; its enhanced text is switched off. */
static void quoted(const char *text, FILE *out)
{
    fputc('"', out);
    for (; *text; text++) {
        if (*text == '"' || *text == '\\')
            fputc('\\', out);
        fputc((unsigned char)*text < 0x20 || *text == 0x7f || *text == '`' ? '\'' : *text, out);
    }
    fputc('"', out);
}

static void data_blocks(const struct chart *chart, FILE *out)
{
    for (size_t i = 0; i < chart->series_count; i++) {
        const struct chart_series *series = &chart->series[i];

        fprintf(out, "$points%zu << EOD\n", i);
        for (size_t j = 0; j < series->point_count; j++)
            fprintf(out, "%.10g %.10g %.10g\n", series->point[j].x, series->point[j].y,
                    series->point[j].u > 0 ? series->point[j].u : 0);
        fprintf(out, "EOD\n$curve%zu << EOD\n", i);
        for (size_t j = 0; j < series->curve_count; j++)
            fprintf(out, "%.10g %.10g %.10g %.10g\n", series->x[j], series->y[j], series->low[j], series->high[j]);
        fputs("EOD\n", out);
    }
}

static void settings(const struct chart *chart, const char *picture, FILE *out)
{
    struct axis x, y;

    chart_axes(chart, &x, &y);
    fputs("# Drawn by gnuplot: change what you like and run gnuplot on this file.\n", out);
    fputs("set terminal svg size 800,500 dynamic noenhanced background rgb \"white\"\nset output ", out);
    quoted(picture, out);
    fputs("\nset title ", out);
    quoted(chart->title, out);
    fputs("\nset xlabel ", out);
    quoted(chart->x_label, out);
    fputs("\nset ylabel ", out);
    quoted(chart->y_label, out);
    fprintf(out,
            "\nset xrange [%.10g:%.10g]\nset yrange [%.10g:%.10g]\nset grid ytics\nset key bmargin center "
            "horizontal\n",
            x.low, x.high, y.low, y.high);
    for (size_t i = 0; i < chart->category_count; i++) {
        fputs(i ? "set xtics add (" : "set xtics (", out);
        quoted(chart->category[i], out);
        fprintf(out, " %zu)\n", i + 1);
    }
    for (size_t i = 0; i < chart->mark_count; i++) {
        fprintf(out, "set arrow from %.10g, graph 0 to %.10g, graph 1 nohead dt 2\nset label ", chart->mark[i].x,
                chart->mark[i].x);
        quoted(chart->mark[i].label, out);
        fprintf(out, " at %.10g, graph %.2f offset 0.5,0\n", chart->mark[i].x, 0.05 + 0.05 * (double)(i % 3));
    }
}

static void plots(const struct chart *chart, FILE *out)
{
    const char *between = "plot ";

    for (size_t i = 0; i < chart->series_count; i++) {
        const struct chart_series *series = &chart->series[i];

        if (series->curve_count) {
            fprintf(out,
                    "%s$curve%zu using 1:3:4 with filledcurves fs transparent solid 0.15 lc %zu notitle, \\\n"
                    "  $curve%zu using 1:2 with lines lw 2 lc %zu ",
                    between, i, i + 1, i, i + 1);
            fputs(series->point_count || !series->name[0] ? "notitle" : "title ", out);
            if (!series->point_count && series->name[0])
                quoted(series->name, out);
            between = ", \\\n  ";
        }
        if (series->point_count) {
            fprintf(out, "%s$points%zu using 1:2:3 with yerrorbars pt 7 ps 0.7 lc %zu ", between, i, i + 1);
            fputs(series->name[0] ? "title " : "notitle", out);
            if (series->name[0])
                quoted(series->name, out);
            between = ", \\\n  ";
        }
    }
    fputs("\n", out);
}

static int run_gnuplot(char *script)
{
    char program[] = "gnuplot", *arguments[] = { program, script, NULL };
    pid_t child;
    int status, error = posix_spawnp(&child, program, NULL, NULL, arguments, environ);

    if (error)
        return -error;
    while (waitpid(child, &status, 0) < 0)
        if (errno != EINTR)
            return -errno;
    return WIFEXITED(status) && WEXITSTATUS(status) == 0 ? 0 : -EPROTO;
}

int chart_gnuplot(const struct chart *chart, const char *folder, char *sentence, size_t size)
{
    char script[1024], picture[1024];
    FILE *file;
    int error;

    if (mkdir(folder, 0777) != 0 && errno != EEXIST) {
        error = -errno;
        snprintf(sentence, size, "%s: cannot make the folder: %s", folder, strerror(errno));
        return error;
    }
    snprintf(script, sizeof script, "%s/%s.gp", folder, chart->name);
    snprintf(picture, sizeof picture, "%s/%s.svg", folder, chart->name);
    file = fopen(script, "we");
    if (!file) {
        error = -errno;
        snprintf(sentence, size, "%s: cannot be written: %s", script, strerror(errno));
        return error;
    }
    settings(chart, picture, file);
    data_blocks(chart, file);
    plots(chart, file);
    error = ferror(file) ? -EIO : 0;
    if (fclose(file) != 0)
        error = -errno;
    if (error) {
        snprintf(sentence, size, "%s: could not be written whole", script);
        return error;
    }
    error = run_gnuplot(script);
    if (error == -ENOENT)
        snprintf(sentence, size, "gnuplot is not installed (apt install gnuplot-nox); its script is %s", script);
    else if (error)
        snprintf(sentence, size, "gnuplot did not draw %s", script);
    return error;
}
