/* GSL without its default of ending the program; see gsl_quiet.h. */
#include "gsl_quiet.h"

#include <stdlib.h>

static gsl_error_handler_t *of_program; /* NULL: GSL's own, which is abort() */

static void be_quiet(const char *reason, const char *file, int line, int error)
{
    if (error == GSL_ENOMEM && of_program)
        of_program(reason, file, line, error);
}

gsl_error_handler_t *gsl_quiet_begin(void)
{
    gsl_error_handler_t *before = gsl_set_error_handler(be_quiet);

    if (before != be_quiet)
        of_program = before;
    return before;
}

void gsl_quiet_end(gsl_error_handler_t *before)
{
    gsl_set_error_handler(before);
}

static void *noticed(void *memory)
{
    gsl_error_handler_t *handler;

    if (memory)
        return memory;
    handler = gsl_set_error_handler_off();
    gsl_set_error_handler(handler);
    if (handler)
        handler("not enough memory", __FILE__, __LINE__, GSL_ENOMEM);
    return NULL;
}

void *science_malloc(size_t size)
{
    return noticed(malloc(size));
}

void *science_calloc(size_t count, size_t size)
{
    return noticed(calloc(count, size));
}

void *science_realloc(void *old, size_t size)
{
    return noticed(realloc(old, size));
}
