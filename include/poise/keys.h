/* Keys for a network: who a bench is, and who its clients are.
 *
 * A key file holds one pair (CURVE: Curve25519, as libzmq has it) and, for a client, the public key of the bench it is
 * meant for.  The public key is for telling others; the file is for its owner alone and is refused otherwise. */
#ifndef POISE_KEYS_H
#define POISE_KEYS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "poise/why.h"

#pragma GCC visibility push(default)

enum { KEY_BYTES = 32, KEY_TEXT_SIZE = 2 * KEY_BYTES + 1 }; /* as text: 64 digits 0-9 a-f */

struct keys {
    uint8_t public_key[KEY_BYTES], secret_key[KEY_BYTES];
    uint8_t bench_key[KEY_BYTES]; /* with knows_bench */
    bool knows_bench;
};

/* 64 hexadecimal digits.  0 or -EINVAL; out is untouched then. */
int key_read(const char *text, size_t length, uint8_t out[KEY_BYTES]);
void key_print(const uint8_t key[KEY_BYTES], char out[KEY_TEXT_SIZE]);

/* A new pair.  -ENOTSUP when libzmq was built without CURVE. */
int keys_make(struct keys *out, struct why *why);

/* The text of a key file, which `name` is called in sentences.  -EINVAL when it is none, or the two keys are no pair.
 */
int keys_parse(const char *text, size_t length, const char *name, struct keys *out, struct why *why);

/* Reads a key file.  -EPERM when it is a link or others than its owner (who is us, or root) may read it.  Once a
 * program holds a secret it leaves no core file and other programs of the same user cannot look into its memory. */
int keys_load(const char *path, struct keys *out, struct why *why);

/* Writes a new file with mode 0600; never over one that is there (-EEXIST). */
int keys_save(const char *path, const struct keys *keys, struct why *why);

/* Leaves nothing of it in memory. */
void keys_forget(struct keys *keys);

#pragma GCC visibility pop

#endif
