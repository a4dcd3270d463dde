/* Any bytes as a key file: what is taken is a pair that reads back as the same, and no sentence shows a secret. */
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "poise/keys.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

/* The value of the line that begins so, as the sentence must not show it. */
static void check_hidden(const uint8_t *data, size_t length, const char *sentence)
{
    for (size_t i = 0; i + 16 <= length; i++) {
        char part[17];
        bool plain = true;

        memcpy(part, data + i, 16);
        part[16] = '\0';
        for (int j = 0; j < 16; j++)
            plain = plain && strchr("0123456789abcdefABCDEF", part[j]) && part[j];
        if (plain && strstr(sentence, part))
            abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    struct keys keys, again;
    struct why why = { "" };
    char text[4 * KEY_TEXT_SIZE], public_key[KEY_TEXT_SIZE], secret_key[KEY_TEXT_SIZE];
    uint8_t one[KEY_BYTES];

    if (key_read((const char *)data, length, one) == 0) {
        key_print(one, text);
        if (length != KEY_TEXT_SIZE - 1 || strncasecmp(text, (const char *)data, length) != 0)
            abort();
    }
    if (keys_parse((const char *)data, length, "the.key", &keys, &why) != 0) {
        if (!why.text[0] || strchr(why.text, '\n'))
            abort();
        check_hidden(data, length, why.text);
        return 0;
    }
    key_print(keys.public_key, public_key);
    key_print(keys.secret_key, secret_key);
    strcpy(text, "public=");
    strcat(strcat(strcat(text, public_key), "\nsecret="), secret_key);
    if (keys_parse(text, strlen(text), "again", &again, &why) != 0
        || memcmp(again.secret_key, keys.secret_key, KEY_BYTES) != 0 || again.knows_bench)
        abort();
    return 0;
}
