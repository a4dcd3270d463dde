/* How a program says what is wrong, and with which status it ends. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "poise/program.h"

/* Runs program_message with standard error on a pipe. */
static size_t said(char *out, size_t size, const char *sentence)
{
    int ends[2], saved = dup(STDERR_FILENO);
    ssize_t length;

    assert_int_equal(pipe(ends), 0);
    dup2(ends[1], STDERR_FILENO);
    program_message("%s", sentence);
    dup2(saved, STDERR_FILENO);
    close(saved);
    close(ends[1]);
    length = read(ends[0], out, size - 1);
    close(ends[0]);
    assert_true(length > 0);
    out[length] = '\0';
    return (size_t)length;
}

static void a_sentence_carries_the_programs_name(void **state)
{
    char line[64];

    (void)state;
    program_begin("/usr/bin/poise-example");
    said(line, sizeof line, "the bench is gone");
    assert_string_equal(line, "poise-example: the bench is gone\n");
}

static void a_sentence_gives_a_terminal_no_orders(void **state)
{
    char line[64];

    (void)state;
    program_begin("poise-example");
    said(line, sizeof line, "\x1b]0;mine\a caf\xc3\xa9\nroot: all is well");
    assert_string_equal(line, "poise-example: ?]0;mine? caf\xc3\xa9?root: all is well\n");
}

static void a_long_sentence_is_cut_and_still_ends_its_line(void **state)
{
    char sentence[3000], line[4000];
    size_t length;

    (void)state;
    memset(sentence, 'x', sizeof sentence - 1);
    sentence[sizeof sentence - 1] = '\0';
    length = said(line, sizeof line, sentence);
    assert_true(length < 1100);
    assert_int_equal(line[length - 1], '\n');
}

static void what_did_not_go_out_is_a_failure(void **state)
{
    int out = dup(STDOUT_FILENO);

    (void)state;
    assert_true(out >= 0 && freopen("/dev/full", "w", stdout));
    printf("a cup of coffee\n");
    assert_int_equal(program_end(EXIT_DONE), EXIT_FAILED);
    clearerr(stdout);
    dup2(out, STDOUT_FILENO);
    close(out);
    assert_int_equal(program_end(EXIT_DONE), EXIT_DONE);
    assert_int_equal(program_end(EXIT_USAGE), EXIT_USAGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_sentence_carries_the_programs_name),
        cmocka_unit_test(a_sentence_gives_a_terminal_no_orders),
        cmocka_unit_test(a_long_sentence_is_cut_and_still_ends_its_line),
        cmocka_unit_test(what_did_not_go_out_is_a_failure),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
