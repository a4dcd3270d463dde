/* Short of memory; see short_memory.h. */
#include "poise/short_memory.h"

#include <gsl/gsl_errno.h>
#include <jansson.h>
#include <sqlite3.h>
#include <stdlib.h>

#include "poise/program.h"

static sqlite3_mem_methods usual;

void short_memory_end(void)
{
    program_message("not enough memory: close other programs and try again");
    exit(EXIT_FAILED);
}

static void *get(size_t size)
{
    void *memory = malloc(size);

    if (!memory)
        short_memory_end();
    return memory;
}

static void *get_for_sqlite(int size)
{
    void *memory = usual.xMalloc(size);

    if (!memory)
        short_memory_end();
    return memory;
}

static void *resize_for_sqlite(void *old, int size)
{
    void *memory = usual.xRealloc(old, size);

    if (!memory)
        short_memory_end();
    return memory;
}

/* Its default for every error is abort(); what is no number comes back as such. */
static void on_gsl_error(const char *reason, const char *file, int line, int error)
{
    (void)reason;
    (void)file;
    (void)line;
    if (error == GSL_ENOMEM)
        short_memory_end();
}

void short_memory_ends(void)
{
    sqlite3_mem_methods ours;

    json_set_alloc_funcs(get, free);
    gsl_set_error_handler(on_gsl_error);
    if (sqlite3_config(SQLITE_CONFIG_GETMALLOC, &usual) != SQLITE_OK)
        return; /* it is in use already: then it returns its errors */
    ours = usual;
    ours.xMalloc = get_for_sqlite;
    ours.xRealloc = resize_for_sqlite;
    sqlite3_config(SQLITE_CONFIG_MALLOC, &ours);
}
