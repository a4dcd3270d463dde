/* A bench with one station that the timer's tests show of in the messages of a real one.  No terminal, no socket. */
#ifndef POISE_TESTS_TIMER_BENCH_H
#define POISE_TESTS_TIMER_BENCH_H

#include <stdint.h>

#include "draw.h"
#include "poise/view.h"

enum { S = 1000000 };
static const int64_t FAR = 7000000000; /* local time has nothing to do with the bench's */

extern struct view model;
extern struct canvas canvas;

/* Before each test: nothing is known. */
int fresh(void **state);

/* A message of the bench's second `at_s`; ' stands for ".  Both clocks run alike here. */
void say(const char *topic, double at_s, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* A reading of its scale in grams, with what the bench knows with it (",'water_g':12.5") or that 400 g more stand
 * there; a stage of brew 007; a state between brews, its load and indication as JSON. */
void scale_knows(double at_s, const char *value, const char *known);
void scale(double at_s, const char *value);
void stage(double at_s, const char *name, double began_s);
void state_at(double at_s, const char *name, const char *water, const char *load, const char *shown);

/* Cup and brewer stand there, tared; the brew begins and water runs from 10 s on, 10 g/s, ten readings a second. */
void pour_until(double until_s);

int64_t at(double seconds);
struct view_station *left(void);

/* What the guide says there, and the stage that comes next. */
char *now_at(double seconds);
enum stage next_at(double seconds);

/* The whole screen, and what must stand on it; a failure prints it. */
void draw(int width, int height, enum page page, double at_s);
void expect_on_screen(const char *text);

/* How ASCII text on the screen looks; LOOK_COUNT: it is not there. */
enum look look_of(const char *text);

#endif
