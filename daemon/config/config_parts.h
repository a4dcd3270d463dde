/* Inside the configuration: what its files share while a file is read.  Nobody but config*.c includes this. */
#ifndef POISE_CONFIG_PARTS_H
#define POISE_CONFIG_PARTS_H

#include "config.h"

enum config_section {
    SECTION_NONE,    /* before the first header */
    SECTION_UNKNOWN, /* complained about; its keys are passed over */
    SECTION_BENCH,
    SECTION_STATION,
    SECTION_CUP,
    SECTION_INSTRUMENT,
    SECTION_STRENGTH,
    SECTION_KEYS,
    SECTION_CLIENT,
    SECTION_SITE,
    SECTION_FOLLOW,
    SECTION_COUNT
};

enum { CONFIG_KEYS_MOST = 64 }; /* one bit of config_reader.seen for each */

struct config_reader {
    const char *file; /* as the user named it */
    char folder[CONFIG_PATH_SIZE];
    FILE *mistakes;
    struct why *why; /* the first mistake */
    int mistake_count;
    int memory_error;

    FILE *stream;
    int line;
    bool line_open; /* the line read last has made no sense yet */

    struct config *config;
    enum config_section section;
    int section_line;                      /* of its header */
    uint64_t seen;                         /* keys of this section, one bit each */
    int section_first_line[SECTION_COUNT]; /* of the first header of its kind; 0: none yet */
    int seen_line[CONFIG_KEYS_MOST];
    int (*instrument_lines)[CONFIG_KEYS_MOST]; /* of each instrument's keys; 0: not said */
    int bench_lines[CONFIG_KEYS_MOST];
};

/* Prints "FILE:LINE: sentence" and keeps the first; line 0: about the file. */
void config_mistake(struct config_reader *reader, int line, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Memory that lives as long as the configuration, zeroed; NULL (and memory_error set) when there is none. */
void *config_keep(struct config_reader *reader, size_t size);
const char *config_keep_text(struct config_reader *reader, const char *text);

/* config_keys.c: one key of the section that is open; and its end, when what it must have is known to be missing. */
void config_key(struct config_reader *reader, const char *key, const char *value);
void config_section_end(struct config_reader *reader);

/* Where a key of this instrument, or with -1 of [bench], stands; the section's own line where it is not said. */
int config_line_of(const struct config_reader *reader, int instrument, const char *key);

/* config_check.c: what only shows when everything has been read. */
void config_check(struct config_reader *reader);

#endif
