/* What the probe says: sections to paste on standard output, everything else on standard error. */
#include "probe_parts.h"

#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config/config.h"
#include "poise/messages.h"
#include "poise/program.h"
#include "transport/serial.h"

enum { SECTION_SIZE = 2048 };

static const char *const verdict_names[] = {
    [PROBE_SILENT] = "silent", [PROBE_UNCLEAR] = "not-understood",  [PROBE_UNDERSTOOD] = "understood",
    [PROBE_IN_USE] = "in-use", [PROBE_CANNOT_OPEN] = "cannot-open",
};

/* What the instrument might be called until its owner names it. */
static const char *const usual_names[QUANTITY_COUNT] = {
    [QUANTITY_MASS] = "scale",
    [QUANTITY_STRENGTH] = "refractometer",
    [QUANTITY_BRIX] = "refractometer",
    [QUANTITY_REFRACTIVE_INDEX] = "refractometer",
    [QUANTITY_TEMPERATURE] = "thermometer",
    [QUANTITY_PRESSURE] = "pressure",
};

/* "-2" behind the name of the second of a kind. */
static const char *number_suffix(int number)
{
    static char suffix[16];

    suffix[0] = '\0';
    if (number > 1)
        snprintf(suffix, sizeof suffix, "-%d", number);
    return suffix;
}

/* The station of the configuration that the scale is likely to stand at, counted from 1: without one no brew is
 * followed.  Where the file names no station the section brings one along. */
static void write_station(FILE *file, const struct config *config, int number)
{
    const char *free_one = config ? config_station_without_scale(config, number - 1) : NULL;

    if (free_one)
        fprintf(file, "station  = %s\n", free_one);
    else if (config)
        fprintf(file, "; every [station] has its scale: write another one, and name it here\n;station  = NAME\n");
    else
        fprintf(file, "station  = bench%s\n", number_suffix(number));
}

/* The section, and beside it what to check. */
static void write_section(const struct probed *port, int number, const struct config *config, char *out, size_t size)
{
    const struct probe_score *score = &port->score;
    char link[PATH_MAX];
    FILE *file = fmemopen(out, size, "w");

    if (!file) {
        out[0] = '\0';
        return;
    }
    if (score->quantity == QUANTITY_MASS && !config)
        fprintf(file, "[station bench%s]\n\n", number_suffix(number));
    fprintf(file, "[instrument %s%s]\n", usual_names[score->quantity], number_suffix(number));
    if (score->doubt)
        fprintf(file, "; check: %s\n", score->doubt);
    fprintf(file, "driver   = %s\n", score->driver);
    fprintf(file, "port     = %s\n", serial_lasting_path(port->path, link, sizeof link));
    fprintf(file, "serial   = %s\n", port->settings);
    fprintf(file, "quantity = %s\n", quantity_name(score->quantity));
    for (int i = 0; i < score->setting_count; i++)
        fprintf(file, "%-8s = %s\n", score->settings[i].key, score->settings[i].value);
    if (score->quantity == QUANTITY_MASS)
        write_station(file, config, number);
    fclose(file);
}

/* What is said of a port, beside its section. */
static void write_sentence(const struct probed *port, const struct probe_options *options, char *out, size_t size)
{
    const struct probe_score *score = &port->score;
    const char *again = options->ask ? "" : "; --ask would ask as Modbus does, which sends bytes";

    if (port->verdict == PROBE_UNDERSTOOD)
        snprintf(out, size, "%s: %d of %d frames are understood, the last: %s", port->settings, score->whole,
                 score->whole + score->rejected, score->heard);
    else if (port->verdict == PROBE_UNCLEAR)
        snprintf(out, size,
                 "%zu bytes came, not understood at any usual setting; they begin %s; look up speed "
                 "and layout in the manual, and write a pattern for the layout",
                 port->arrived, port->heard);
    else if (port->verdict == PROBE_SILENT && port->why.text[0])
        snprintf(out, size, "%s", port->why.text);
    else if (port->verdict == PROBE_SILENT)
        snprintf(out, size,
                 "nothing came; switch the instrument on and let it send all the time, or press its print "
                 "key while this listens%s",
                 again);
    else
        snprintf(out, size, "%s", port->why.text);
}

static void print_string(const char *key, const char *text)
{
    char string[2 * SECTION_SIZE];
    int length = text ? message_write_string(text, string, sizeof string) : -1;

    if (length < 0)
        printf("\"%s\":null", key);
    else
        printf("\"%s\":%.*s", key, length, string);
}

static void print_json(const struct probed *port, const char *sentence, const char *section)
{
    bool understood = port->verdict == PROBE_UNDERSTOOD;

    printf("{");
    print_string("port", port->path);
    printf(",\"verdict\":\"%s\",", verdict_names[port->verdict]);
    print_string("detail", sentence);
    printf(",\"bytes\":%zu", port->arrived);
    if (understood) {
        printf(",\"whole\":%d,\"rejected\":%d,", port->score.whole, port->score.rejected);
        print_string("driver", port->score.driver);
        printf(",");
        print_string("serial", port->settings);
        printf(",");
        print_string("quantity", quantity_name(port->score.quantity));
        printf(",");
        print_string("heard", port->score.heard);
        printf(",");
        print_string("check", port->score.doubt);
        printf(",\"settings\":{");
        for (int i = 0; i < port->score.setting_count; i++) {
            printf("%s", i ? "," : "");
            print_string(port->score.settings[i].key, port->score.settings[i].value);
        }
        printf("},");
        print_string("section", section);
    }
    printf("}\n");
}

/* The stations of the file, if it can be read and names any. */
static bool read_stations(const char *path, struct config *out)
{
    struct why why;

    if (!path || config_read(out, path, NULL, &why) < 0)
        return false;
    if (config_names_stations(out))
        return true;
    config_free(out);
    return false;
}

int probe_print(const struct probed *ports, int count, const struct probe_options *options)
{
    struct config config;
    bool named_stations = read_stations(options->config_path, &config);
    int named[QUANTITY_COUNT] = { 0 }, understood = 0;
    char sentence[512], section[SECTION_SIZE];

    for (int i = 0; i < count; i++) {
        const struct probed *port = &ports[i];

        write_sentence(port, options, sentence, sizeof sentence);
        section[0] = '\0';
        if (port->verdict == PROBE_UNDERSTOOD) {
            enum quantity kind = port->score.quantity;

            if (kind == QUANTITY_STRENGTH || kind == QUANTITY_REFRACTIVE_INDEX)
                kind = QUANTITY_BRIX; /* they share a name */
            write_section(port, ++named[kind], named_stations ? &config : NULL, section, sizeof section);
            understood++;
        }
        if (options->json) {
            print_json(port, sentence, section);
            continue;
        }
        program_message("%s: %s", port->path, sentence);
        if (section[0])
            printf("%s%s", understood > 1 ? "\n" : "", section);
    }
    if (named_stations)
        config_free(&config);
    return understood;
}
