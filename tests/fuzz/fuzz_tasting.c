/* Any bytes as the text of a tasting, or behind an A as an answer: what is taken is what the program itself writes. */
#include <stdlib.h>
#include <string.h>

#include "poise/tasting.h"
#include "poise/tasting_text.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

static void check_text(const char *text)
{
    static struct tasting_session session;
    static char again[TASTING_TEXT_SIZE];
    struct why why = { "" };

    if (tasting_text_read(text, &session, &why) != 0) {
        if (!why.text[0])
            abort();
    } else if (tasting_text_write(&session, session.open, again) != (int)strlen(text) || strcmp(text, again) != 0) {
        abort();
    }
}

static void check_answer(const char *text)
{
    for (int method = 0; method < TASTING_METHOD_COUNT; method++) {
        struct tasting_set set = { .cups = tasting_cups((enum tasting_method)method, 2), .reference = -1 };
        int place[TASTING_CUPS];
        struct why why = { "" };

        for (int i = 0; i < set.cups; i++)
            set.code[i] = 101 + 7 * i;
        if (tasting_answer_read((enum tasting_method)method, &set, text, place, &why) < 0 && !why.text[0])
            abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    char *text = malloc(length + 1);

    if (!text)
        abort();
    memcpy(text, data, length);
    text[length] = '\0';
    if (text[0] == 'A')
        check_answer(text + 1);
    else
        check_text(text);
    free(text);
    return 0;
}
