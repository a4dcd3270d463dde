/* Memory that fails at one call, for tests: each malloc, calloc, realloc and strdup is counted once it is armed, and
 * the one that was chosen gets NULL.  Linked into a test program, or loaded before the C library (LD_PRELOAD): then
 * FAILING_MEMORY is "NUMBER FILE", and FILE is made when that call has failed; NUMBER 0: none fails, and FILE holds how
 * many there were.
 *
 * Calls of libraries that end the program when memory is short (libzmq, the C++ library, the loader) do not count. */
#ifndef FAILING_MEMORY_H
#define FAILING_MEMORY_H

#include <stdbool.h>

/* From now on the call of this number fails, counted from 1. */
void failing_memory_at(long number);

/* No call fails any more.  True when the chosen one was reached. */
bool failing_memory_over(void);

#endif
