/* Reads the description of virtual instruments.  See bench.h. */
#include "bench.h"

#include <errno.h>
#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct reading_file {
    struct virtual_bench *bench;
    const char *path;
    struct why *why;
    int error; /* the first one */
};

static const struct bench_scale usual_scale = {
    .settings = { .layout = MODEL_HEADER,
                  .rate_hz = 10,
                  .lag_s = 0.18,
                  .division_g = 0.1,
                  .noise_g = 0.02,
                  .capacity_g = 3000 },
    .tare = "T\r\n",
    .tare_length = 3,
    .wild = 1,
};
static const struct bench_refractometer usual_refractometer = {
    .strength_per_brix = 0.85,
    .replicates = 3,
    .cool_s = 60,
    .every_s = 8,
    .noise_pct = 0.01,
};

/* "T\r\n" with its escapes into bytes; their count, or -1. */
static int read_bytes(const char *text, char out[BENCH_ORDER])
{
    int length = 0;

    for (; *text; text++) {
        char byte = *text;

        if (byte == '\\') {
            text++;
            byte = *text == 'r' ? '\r' : *text == 'n' ? '\n' : *text == '\\' ? '\\' : 0;
        }
        if (!byte || length == BENCH_ORDER)
            return -1;
        out[length++] = byte;
    }
    return length;
}

static bool read_number(const char *text, double least, double most, double *out)
{
    char *end;
    double value = strtod(text, &end);

    if (end == text || *end || !(value >= least && value <= most))
        return false;
    *out = value;
    return true;
}

struct number_key {
    const char *key;
    size_t offset;
    double least, most;
};

/* 0: read; 1: no such key; -1: a value it cannot have. */
static int read_number_key(const struct number_key *keys, size_t count, void *into, const char *key, const char *value)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(keys[i].key, key) == 0)
            return read_number(value, keys[i].least, keys[i].most, (double *)((char *)into + keys[i].offset)) ? 0 : -1;
    return 1;
}

static int scale_key(struct bench_scale *scale, const char *key, const char *value, char *why)
{
    static const struct number_key keys[] = {
        { "rate_hz", offsetof(struct bench_scale, settings.rate_hz), 0.1, 100 },
        { "lag_s", offsetof(struct bench_scale, settings.lag_s), 0, 5 },
        { "division_g", offsetof(struct bench_scale, settings.division_g), 0.001, 100 },
        { "noise_g", offsetof(struct bench_scale, settings.noise_g), 0, 100 },
        { "capacity_g", offsetof(struct bench_scale, settings.capacity_g), 1, 1e6 },
        { "lost", offsetof(struct bench_scale, settings.lost), 0, 1 },
        { "damaged", offsetof(struct bench_scale, settings.damaged), 0, 1 },
        { "wild", offsetof(struct bench_scale, wild), 0, 1 },
        { "unplug_at_s", offsetof(struct bench_scale, unplug_at_s), 0, 1e6 },
        { "unplug_for_s", offsetof(struct bench_scale, unplug_for_s), 0, 1e6 },
    };
    double count;

    if (strcmp(key, "do") == 0)
        return model_script_do(&scale->script, value, why);
    if (strcmp(key, "layout") == 0) {
        int layout = model_layout_find(value);

        scale->settings.layout = layout < 0 ? MODEL_HEADER : (enum model_layout)layout;
        return layout < 0 ? -1 : 0;
    }
    if (strcmp(key, "tare") == 0)
        return (scale->tare_length = read_bytes(value, scale->tare)) < 0 ? -1 : 0;
    if (strcmp(key, "random") == 0) {
        if (!read_number(value, 0, MODEL_BREWS, &count))
            return -1;
        scale->random = (int)count;
        return 0;
    }
    if (strcmp(key, "second_of") == 0)
        return snprintf(scale->second_of, NAME_SIZE, "%s", value) < NAME_SIZE ? 0 : -1;
    return read_number_key(keys, sizeof keys / sizeof *keys, scale, key, value);
}

static int refractometer_key(struct bench_refractometer *refractometer, const char *key, const char *value)
{
    static const struct number_key keys[] = {
        { "strength_per_brix", offsetof(struct bench_refractometer, strength_per_brix), 0.1, 2 },
        { "cool_s", offsetof(struct bench_refractometer, cool_s), 0, 1e5 },
        { "every_s", offsetof(struct bench_refractometer, every_s), 0.1, 1e5 },
        { "noise_pct", offsetof(struct bench_refractometer, noise_pct), 0, 10 },
    };
    double count;

    if (strcmp(key, "shows") == 0) {
        refractometer->shows_brix = strcmp(value, "brix") == 0;
        return refractometer->shows_brix || strcmp(value, "strength") == 0 ? 0 : -1;
    }
    if (strcmp(key, "replicates") == 0) {
        if (!read_number(value, 0, 20, &count))
            return -1;
        refractometer->replicates = (int)count;
        return 0;
    }
    return read_number_key(keys, sizeof keys / sizeof *keys, refractometer, key, value);
}

static struct bench_scale *scale_named(struct virtual_bench *bench, const char *name)
{
    for (int i = 0; i < bench->scale_count; i++)
        if (strcmp(bench->scale[i].name, name) == 0)
            return &bench->scale[i];
    return NULL;
}

static struct bench_scale *scale_section(struct virtual_bench *bench, const char *name)
{
    struct bench_scale *scale = scale_named(bench, name);

    if (scale || bench->scale_count == BENCH_SCALES || !name_valid(name))
        return scale;
    scale = &bench->scale[bench->scale_count++];
    *scale = usual_scale;
    strcpy(scale->name, name);
    return scale;
}

static struct bench_refractometer *refractometer_section(struct virtual_bench *bench, const char *name)
{
    struct bench_refractometer *last = &bench->refractometer[bench->refractometer_count];

    for (int i = 0; i < bench->refractometer_count; i++)
        if (strcmp(bench->refractometer[i].name, name) == 0)
            return &bench->refractometer[i];
    if (bench->refractometer_count == BENCH_REFRACTOMETERS || !name_valid(name))
        return NULL;
    bench->refractometer_count++;
    *last = usual_refractometer;
    strcpy(last->name, name);
    return last;
}

/* inih's own convention: 1 is good, 0 stops with this line's number. */
static int read_key(void *context, const char *section, const char *key, const char *value)
{
    struct reading_file *file = context;
    char sentence[MODEL_SENTENCE] = "";
    int result = 1;

    if (file->error)
        return 0;
    if (strcmp(section, "virtual") == 0) {
        double seed;

        if (strcmp(key, "seed") == 0 && (result = read_number(value, 0, 4e9, &seed) ? 0 : -1) == 0)
            file->bench->seed = (unsigned long)seed;
    } else if (strncmp(section, "scale ", 6) == 0) {
        struct bench_scale *scale = scale_section(file->bench, section + 6);

        result = scale ? scale_key(scale, key, value, sentence) : 2;
    } else if (strncmp(section, "refractometer ", 14) == 0) {
        struct bench_refractometer *refractometer = refractometer_section(file->bench, section + 14);

        result = refractometer ? refractometer_key(refractometer, key, value) : 2;
    } else {
        result = 2;
    }
    if (result == 0)
        return 1;
    if (result == 2)
        file->error = why_set(file->why, -EINVAL,
                              "section [%s]: expected [virtual], at most %d [scale NAME] and %d "
                              "[refractometer NAME], names of a-z 0-9 -",
                              section, BENCH_SCALES, BENCH_REFRACTOMETERS);
    else if (result == 1)
        file->error = why_set(file->why, -EINVAL, "section [%s] has no '%s'", section, key);
    else
        file->error =
            why_set(file->why, -EINVAL, "%s = %s: %s", key, value, *sentence ? sentence : "not a value it can have");
    return 0;
}

static int check(struct virtual_bench *bench, struct why *why)
{
    for (int i = 0; i < bench->scale_count; i++) {
        struct bench_scale *scale = &bench->scale[i], *first = scale_named(bench, scale->second_of);

        if (*scale->second_of && (!first || first == scale || *first->second_of))
            return why_set(why, -EINVAL, "[scale %s]: second_of = %s: there is no such scale with a script of its own",
                           scale->name, scale->second_of);
        if (scale->random)
            model_script_random(&scale->script, bench->seed + (unsigned long)i, scale->random, scale->wild, false);
    }
    if (!bench->scale_count)
        return why_set(why, -EINVAL, "no [scale NAME]: nothing to play");
    return 0;
}

int virtual_bench_read(struct virtual_bench *out, const char *path, unsigned long seed, struct why *why)
{
    struct reading_file file = { .bench = out, .path = path, .why = why };
    FILE *stream = fopen(path, "r");
    int line, error;

    if (!stream) {
        error = errno;
        return why_set(why, -error, "%s: %s", path, strerror(error));
    }
    memset(out, 0, sizeof *out);
    out->seed = 1;
    line = ini_parse_file(stream, read_key, &file);
    fclose(stream);
    if (file.error)
        return why_prefix(why, file.error, "%s:%d: ", path, line);
    if (line)
        return why_set(why, -EINVAL, "%s:%d: neither [section] nor key = value", path, line);
    if (seed)
        out->seed = seed;
    error = check(out, why);
    return error < 0 ? why_prefix(why, error, "%s: ", path) : 0;
}
