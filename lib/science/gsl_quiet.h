/* GSL without its default of ending the program at any error; private to the science.  What comes back as no number or
 * as a status is looked at; that memory is short still reaches the handler of a program that has set one. */
#ifndef POISE_GSL_QUIET_H
#define POISE_GSL_QUIET_H

#include <gsl/gsl_errno.h>
#include <stddef.h>

/* The handler before, for gsl_quiet_end. */
gsl_error_handler_t *gsl_quiet_begin(void);
void gsl_quiet_end(gsl_error_handler_t *before);

/* As the C library's; a handler that the program has set is called where there is no memory, and NULL comes back. */
void *science_malloc(size_t size);
void *science_calloc(size_t count, size_t size);
void *science_realloc(void *old, size_t size);

#endif
