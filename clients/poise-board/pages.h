/* The pages, styles and scripts, built into the program: nothing is read from a folder that others may change. */
#ifndef BOARD_PAGES_H
#define BOARD_PAGES_H

#include <stddef.h>

struct page {
    const char *name, *type; /* "/live.html" */
    const unsigned char *data;
    size_t length;
};

extern const struct page pages[]; /* ends with a row without name */

#endif
