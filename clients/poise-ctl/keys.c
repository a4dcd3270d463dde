/* poise-ctl keys: a key for a bench or for a client of it. */
#include <stdio.h>
#include <string.h>

#include "ctl.h"
#include "poise/keys.h"
#include "poise/program.h"

/* Prints what others need of a key: the public half. */
static int print_key(const struct ctl *ctl, const char *path, const struct keys *keys, bool fresh)
{
    char public_key[KEY_TEXT_SIZE];

    key_print(keys->public_key, public_key);
    if (ctl->json) {
        printf("{\"public\":\"%s\",\"for_a_client\":%s}\n", public_key, keys->knows_bench ? "true" : "false");
        return EXIT_DONE;
    }
    printf("%s\n", public_key);
    if (!fresh)
        return EXIT_DONE;
    if (keys->knows_bench)
        program_message(
            "%s: made.  On the bench's machine: a section [client NAME] with key = the line above and role = read "
            "or control, then `systemctl reload poised`",
            path);
    else
        program_message(
            "%s: made.  The line above is what clients need (poise-ctl keys new FILE --bench KEY); in poised.conf: "
            "[keys] secret = %s.  The file must belong to the user that poised runs as",
            path, path);
    return EXIT_DONE;
}

int command_keys(const struct ctl *ctl)
{
    const char *verb = ctl->words[0], *path = ctl->words[1];
    struct keys keys;
    struct why why;
    int error;

    if (strcmp(verb, "show") == 0) {
        error = keys_load(path, &keys, &why);
    } else if (strcmp(verb, "new") != 0) {
        program_message("keys: '%s' is neither new nor show", verb);
        return EXIT_USAGE;
    } else if ((error = keys_make(&keys, &why)) == 0) {
        if (ctl->bench_key && key_read(ctl->bench_key, strlen(ctl->bench_key), keys.bench_key) < 0) {
            program_message(
                "--bench: a public key has %d digits 0-9 a-f; `poise-ctl keys show FILE` prints the bench's",
                KEY_TEXT_SIZE - 1);
            keys_forget(&keys);
            return EXIT_USAGE;
        }
        keys.knows_bench = ctl->bench_key;
        error = keys_save(path, &keys, &why);
    }
    if (error < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    error = print_key(ctl, path, &keys, strcmp(verb, "new") == 0);
    keys_forget(&keys);
    return error;
}
