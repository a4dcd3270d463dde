/* The sealed text behind a lock until the reveal: encrypted with a key from the helper's word, or in a file of its
 * own that nobody else may read.  libsodium: argon2id, XSalsa20-Poly1305. */
#ifndef POISE_TASTING_LOCK_H
#define POISE_TASTING_LOCK_H

#include <stdbool.h>

#include "poise/tasting_text.h"

#pragma GCC visibility push(default)

enum { TASTING_LOCK_SIZE = 2 * TASTING_TEXT_SIZE + 256, TASTING_WORD_LEAST = 6 };

/* Encrypts.  The word has TASTING_WORD_LEAST characters or more.  `out` is one line of text: how, salt, nonce,
 * ciphertext.  Returns 0, -EINVAL for a short word, -ENOMEM. */
int tasting_lock(const char *sealed, const char *word, char out[TASTING_LOCK_SIZE], struct why *why);

/* Decrypts.  -EACCES: the word is another one, or the lock was changed. */
int tasting_unlock(const char *lock, const char *word, char out[TASTING_TEXT_SIZE], struct why *why);

/* The lock of a text that lies in a file; true when it is such a lock. */
extern const char tasting_lock_in_file[];
bool tasting_locked_in_file(const char *lock);

/* Writes a new file of mode 0600 in a folder made with 0700; refuses one that is there (-EEXIST). */
int tasting_key_file_write(const char *path, const char *sealed, struct why *why);

/* Reads it.  Refused (-EACCES) when others could have: any right of group or others, another owner, a link. */
int tasting_key_file_read(const char *path, char out[TASTING_TEXT_SIZE], struct why *why);

#pragma GCC visibility pop

#endif
