/* What a description of virtual instruments says: read from an INI file by bench.c, played by poise-virtual.c. */
#ifndef POISE_TESTS_VIRTUAL_BENCH_H
#define POISE_TESTS_VIRTUAL_BENCH_H

#include "model.h"
#include "poise/messages.h"
#include "poise/why.h"

enum { BENCH_SCALES = 8, BENCH_REFRACTOMETERS = 2, BENCH_ORDER = 32 };

struct bench_scale {
    char name[NAME_SIZE];
    char second_of[NAME_SIZE]; /* the scale whose script this one belongs to; empty: it has its own */
    struct model_scale_settings settings;
    char tare[BENCH_ORDER]; /* bytes that order it to tare */
    int tare_length;
    struct model_script script;
    int random; /* so many brews drawn from the seed; 0: the `do` lines */
    double wild;
    double unplug_at_s, unplug_for_s; /* from the first action; for 0 s: never */
};

struct bench_refractometer {
    char name[NAME_SIZE];
    bool shows_brix;
    double strength_per_brix;
    int replicates;
    double cool_s, every_s; /* a sample waits so long, then so long between readings */
    double noise_pct;
};

struct virtual_bench {
    unsigned long seed;
    struct bench_scale scale[BENCH_SCALES];
    int scale_count;
    struct bench_refractometer refractometer[BENCH_REFRACTOMETERS];
    int refractometer_count;
};

/* Reads the file whole; `seed` 0 takes the file's.  Returns 0, or -EINVAL, or the errno of opening it. */
int virtual_bench_read(struct virtual_bench *out, const char *path, unsigned long seed, struct why *why);

#endif
