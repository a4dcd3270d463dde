/* The lock on the sealed text; see tasting_lock.h. */
#include "poise/tasting_lock.h"

#include <errno.h>
#include <fcntl.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

const char tasting_lock_in_file[] = "file";

/* libsodium's choice for interactive use: 64 MB and a fraction of a second for each guess at the word. */
enum { OPERATIONS = crypto_pwhash_OPSLIMIT_INTERACTIVE, MEMORY = crypto_pwhash_MEMLIMIT_INTERACTIVE };

enum { TEXT_MOST = TASTING_TEXT_SIZE + crypto_secretbox_MACBYTES };

bool tasting_locked_in_file(const char *lock)
{
    return strcmp(lock, tasting_lock_in_file) == 0;
}

static int derive(const char *word, const unsigned char *salt, unsigned char key[crypto_secretbox_KEYBYTES],
                  struct why *why)
{
    if (sodium_init() < 0
        || crypto_pwhash(key, crypto_secretbox_KEYBYTES, word, strlen(word), salt, OPERATIONS, MEMORY,
                         crypto_pwhash_ALG_ARGON2ID13)
               != 0)
        return why_set(why, -ENOMEM, "not enough memory to work the helper's word into a key");
    return 0;
}

int tasting_lock(const char *sealed, const char *word, char out[TASTING_LOCK_SIZE], struct why *why)
{
    unsigned char key[crypto_secretbox_KEYBYTES], salt[crypto_pwhash_SALTBYTES], nonce[crypto_secretbox_NONCEBYTES];
    char salt_hex[2 * sizeof salt + 1], nonce_hex[2 * sizeof nonce + 1];
    size_t length = strlen(sealed), used;
    unsigned char *closed;
    int error;

    if (strlen(word) < TASTING_WORD_LEAST)
        return why_set(why, -EINVAL, "the helper's word needs %d characters or more", TASTING_WORD_LEAST);
    closed = malloc(TEXT_MOST);
    if (!closed)
        return why_set(why, -ENOMEM, "not enough memory");
    randombytes_buf(salt, sizeof salt);
    randombytes_buf(nonce, sizeof nonce);
    error = derive(word, salt, key, why);
    if (!error) {
        crypto_secretbox_easy(closed, (const unsigned char *)sealed, length, nonce, key);
        used = (size_t)snprintf(out, TASTING_LOCK_SIZE, "argon2id %s %s ",
                                sodium_bin2hex(salt_hex, sizeof salt_hex, salt, sizeof salt),
                                sodium_bin2hex(nonce_hex, sizeof nonce_hex, nonce, sizeof nonce));
        sodium_bin2hex(out + used, TASTING_LOCK_SIZE - used, closed, length + crypto_secretbox_MACBYTES);
    }
    sodium_memzero(key, sizeof key);
    free(closed);
    return error;
}

/* The hexadecimal up to the next blank into exactly `size` bytes (or at most so many, with `length`). */
static bool read_hex(const char **text, unsigned char *out, size_t size, size_t *length)
{
    const char *end;
    size_t found;

    if (sodium_hex2bin(out, size, *text, strcspn(*text, " "), NULL, &found, &end) != 0 || (*end != ' ' && *end != '\0')
        || (!length && found != size))
        return false;
    *text = end + (*end == ' ');
    if (length)
        *length = found;
    return true;
}

int tasting_unlock(const char *lock, const char *word, char out[TASTING_TEXT_SIZE], struct why *why)
{
    static const char how[] = "argon2id ";
    unsigned char key[crypto_secretbox_KEYBYTES], salt[crypto_pwhash_SALTBYTES], nonce[crypto_secretbox_NONCEBYTES];
    unsigned char *closed = malloc(TEXT_MOST);
    const char *rest = lock + strlen(how);
    size_t length;
    int error;

    if (!closed)
        return why_set(why, -ENOMEM, "not enough memory");
    if (strncmp(lock, how, strlen(how)) != 0 || !read_hex(&rest, salt, sizeof salt, NULL)
        || !read_hex(&rest, nonce, sizeof nonce, NULL) || !read_hex(&rest, closed, TEXT_MOST, &length)
        || length < crypto_secretbox_MACBYTES || length - crypto_secretbox_MACBYTES >= TASTING_TEXT_SIZE) {
        free(closed);
        return why_set(why, -EACCES, "the lock was changed: it cannot be read");
    }
    error = derive(word, salt, key, why);
    if (!error) {
        if (crypto_secretbox_open_easy((unsigned char *)out, closed, length, nonce, key) != 0)
            error = why_set(why, -EACCES, "this word does not open the key (or the lock was changed)");
        else
            out[length - crypto_secretbox_MACBYTES] = '\0';
    }
    sodium_memzero(key, sizeof key);
    free(closed);
    return error;
}

static int make_folder(const char *path, struct why *why)
{
    char *folder = strdup(path);
    int error = 0;

    if (!folder)
        return why_set(why, -ENOMEM, "not enough memory");
    for (char *slash = strchr(folder + 1, '/'); slash && !error; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        if (mkdir(folder, 0700) != 0 && errno != EEXIST)
            error = why_set(why, -errno, "%s: cannot make the folder: %s", folder, strerror(errno));
        *slash = '/';
    }
    free(folder);
    return error;
}

int tasting_key_file_write(const char *path, const char *sealed, struct why *why)
{
    size_t length = strlen(sealed);
    int file, error = make_folder(path, why);
    bool whole;

    if (error)
        return error;
    file = open(path, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0600);
    if (file < 0)
        return why_set(why, -errno,
                       errno == EEXIST ? "%s: there is a key file already: name another, or take it away"
                                       : "%s: cannot write the key file: %m",
                       path);
    whole = write(file, sealed, length) == (ssize_t)length && fsync(file) == 0;
    if (close(file) == 0 && whole)
        return 0;
    unlink(path);
    return why_set(why, -EIO, "%s: the key file could not be written whole", path);
}

int tasting_key_file_read(const char *path, char out[TASTING_TEXT_SIZE], struct why *why)
{
    int file = open(path, O_RDONLY | O_NOFOLLOW | O_CLOEXEC | O_NONBLOCK);
    struct stat about;
    ssize_t length;

    if (file < 0)
        return why_set(why, -errno, "%s: the key file cannot be opened: %m (name it with --key-file)", path);
    if (fstat(file, &about) != 0 || !S_ISREG(about.st_mode) || (about.st_mode & 077) != 0
        || about.st_uid != geteuid()) {
        close(file);
        return why_set(why, -EACCES,
                       "%s: others can read this key file, or it is not yours: so the key was not closed, and the "
                       "tasting proves nothing",
                       path);
    }
    length = read(file, out, TASTING_TEXT_SIZE - 1);
    close(file);
    if (length < 0)
        return why_set(why, -EIO, "%s: the key file cannot be read", path);
    out[length] = '\0';
    return 0;
}
