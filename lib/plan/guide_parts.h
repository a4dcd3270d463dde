/* What the parts of the guide share. */
#ifndef GUIDE_PARTS_H
#define GUIDE_PARTS_H

#include "poise/guide.h"

/* The least level of another open run in this range; NAN: there is none. */
double guide_open_near(const struct guide_run *run, const char *name, double least, double most);

/* Appends, cut to fit between characters. */
void guide_add(char *out, size_t size, const char *format, ...) __attribute__((format(printf, 3, 4)));

#endif
