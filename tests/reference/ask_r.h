/* A second opinion from R: runs a script of this folder over a file of questions. */
#ifndef POISE_TESTS_ASK_R_H
#define POISE_TESTS_ASK_R_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

/* The numbers that R prints, at most `most`; their count. */
static inline int ask_r(const char *script, const char *questions, double *answers, int most)
{
    char file[] = "/tmp/poise-questions-XXXXXX", command[512];
    int fd = mkstemp(file), count = 0;
    FILE *pipe;

    assert_true(fd >= 0);
    assert_int_equal(write(fd, questions, strlen(questions)), strlen(questions));
    close(fd);
    snprintf(command, sizeof command, "Rscript --vanilla '%s/%s' %s", TEST_FOLDER, script, file);
    pipe = popen(command, "r");
    assert_non_null(pipe);
    while (count < most && fscanf(pipe, "%lf", &answers[count]) == 1)
        count++;
    assert_int_equal(pclose(pipe), 0);
    unlink(file);
    return count;
}

#endif
