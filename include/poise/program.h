/* What every Poise program does alike: say what is wrong, give its version, end with the right status. */
#ifndef POISE_PROGRAM_H
#define POISE_PROGRAM_H

#include <stdbool.h>

#pragma GCC visibility push(default)

enum { EXIT_DONE = 0, EXIT_FAILED = 1, EXIT_USAGE = 2 };

/* Names the program for program_message: the last part of argv[0]. */
void program_begin(const char *argv0);

/* "program: sentence" and a newline on standard error, in one write. */
void program_message(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* Puts ? for control characters: a sentence may quote a file, and a terminal obeys what it is shown. */
void program_plain(char *text);

/* "poise-timer 0.1.0" and the licence, on standard output. */
void program_version(void);

/* The exit status of a program that has printed all: EXIT_FAILED, and a sentence, when not all of it went out. */
int program_end(int status);

/* True when standard output is a terminal and NO_COLOR is not set. */
bool program_colour(void);

/* Which build of the program this is: the linker's build identity as hexadecimal digits, which differs whenever code or
 * data does; empty when it was linked without one. */
const char *program_build(void);

#pragma GCC visibility pop

#endif
