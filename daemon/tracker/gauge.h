/* The press as a pressure instrument shows it. */
#ifndef POISE_TRACKER_GAUGE_H
#define POISE_TRACKER_GAUGE_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/stages.h"

struct hypothesis;

struct gauge {
    int64_t began_us, ended_us, seen_us; /* 0: not yet */
    double now_kpa, peak_kpa, sum_kpa_s, sum_s, u_kpa;
};

/* Takes one indication of a pressure instrument; true when the press began or let go. */
bool gauge_take(struct gauge *gauge, double kpa, double resolution_kpa, int64_t at_us);

/* A pressure instrument knows when the press began, also where no scale sees it, and how hard it was. */
void gauge_use(const struct gauge *gauge, struct hypothesis *story);
void gauge_measure(const struct gauge *gauge, struct hypothesis *story, struct measures *measures, double u_s);

#endif
