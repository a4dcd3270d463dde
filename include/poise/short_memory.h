/* Short of memory: the way out of a program that answers once and holds nothing which others have not. */
#ifndef POISE_SHORT_MEMORY_H
#define POISE_SHORT_MEMORY_H

#pragma GCC visibility push(default)

/* From now on, before anything else uses them: where Jansson, SQLite or GSL get no memory, the program ends with a
 * sentence and status 1.  An answer is whole or there is none, although few look at each of thousands of calls.  Not
 * for a program that goes on, as a logger must. */
void short_memory_ends(void);

/* That end, for whoever notices it himself. */
void short_memory_end(void) __attribute__((noreturn));

#pragma GCC visibility pop

#endif
