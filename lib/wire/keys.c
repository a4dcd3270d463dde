/* Keys for a network; see poise/keys.h.  Secrets are wiped from every buffer of ours; libzmq keeps copies of its own,
 * which is why a program that holds one leaves no core. */
#include "poise/keys.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zmq.h>

enum {
    FILE_BYTES = 4096, /* a key file has about 300 */
    Z85_SIZE = 41,     /* how libzmq writes a key: RFC 32 of ZeroMQ */
    FOR_OWNER_ONLY = 0600,
    FOR_OTHERS = S_IRWXG | S_IRWXO
};

static int digit(char c)
{
    return c >= '0' && c <= '9'   ? c - '0'
           : c >= 'a' && c <= 'f' ? c - 'a' + 10
           : c >= 'A' && c <= 'F' ? c - 'A' + 10
                                  : -1;
}

int key_read(const char *text, size_t length, uint8_t out[KEY_BYTES])
{
    uint8_t key[KEY_BYTES];

    if (length != KEY_TEXT_SIZE - 1)
        return -EINVAL;
    for (size_t i = 0; i < KEY_BYTES; i++) {
        int high = digit(text[2 * i]), low = digit(text[2 * i + 1]);

        if (high < 0 || low < 0)
            return -EINVAL;
        key[i] = (uint8_t)(high << 4 | low);
    }
    memcpy(out, key, sizeof key);
    explicit_bzero(key, sizeof key);
    return 0;
}

void key_print(const uint8_t key[KEY_BYTES], char out[KEY_TEXT_SIZE])
{
    static const char digits[] = "0123456789abcdef";

    for (size_t i = 0; i < KEY_BYTES; i++) {
        out[2 * i] = digits[key[i] >> 4];
        out[2 * i + 1] = digits[key[i] & 15];
    }
    out[KEY_TEXT_SIZE - 1] = '\0';
}

void keys_forget(struct keys *keys)
{
    explicit_bzero(keys, sizeof *keys);
}

int keys_make(struct keys *out, struct why *why)
{
    char public_key[Z85_SIZE], secret_key[Z85_SIZE];

    if (!zmq_has("curve") || zmq_curve_keypair(public_key, secret_key) != 0)
        return why_set(why, -ENOTSUP, "this libzmq has no CURVE encryption; install one that has");
    *out = (struct keys){ .knows_bench = false };
    zmq_z85_decode(out->public_key, public_key);
    zmq_z85_decode(out->secret_key, secret_key);
    explicit_bzero(secret_key, sizeof secret_key);
    return 0;
}

/* Does the public key belong to the secret one? */
static bool is_pair(const struct keys *keys)
{
    char public_key[Z85_SIZE], secret_key[Z85_SIZE], wanted[Z85_SIZE];
    bool pair = zmq_z85_encode(secret_key, keys->secret_key, KEY_BYTES)
                && zmq_z85_encode(wanted, keys->public_key, KEY_BYTES) && zmq_curve_public(public_key, secret_key) == 0
                && strcmp(public_key, wanted) == 0;

    explicit_bzero(secret_key, sizeof secret_key);
    return pair;
}

static const char *skip_blanks(const char *at, const char *end)
{
    while (at < end && (*at == ' ' || *at == '\t' || *at == '\r'))
        at++;
    return at;
}

/* "name = 64 digits" of one line; false when it is something else. */
static bool take_line(const char *at, const char *end, struct keys *keys, unsigned *seen)
{
    const struct {
        const char *name;
        uint8_t *key;
    } fields[] = { { "public", keys->public_key }, { "secret", keys->secret_key }, { "bench", keys->bench_key } };

    for (unsigned i = 0; i < sizeof fields / sizeof *fields; i++) {
        size_t length = strlen(fields[i].name);
        const char *value;

        if ((size_t)(end - at) < length || memcmp(at, fields[i].name, length) != 0)
            continue;
        value = skip_blanks(at + length, end);
        if (value == end || *value != '=' || *seen & 1u << i)
            return false;
        value = skip_blanks(value + 1, end);
        while (end > value && (end[-1] == ' ' || end[-1] == '\t' || end[-1] == '\r'))
            end--;
        *seen |= 1u << i;
        return key_read(value, (size_t)(end - value), fields[i].key) == 0;
    }
    return false;
}

int keys_parse(const char *text, size_t length, const char *name, struct keys *out, struct why *why)
{
    const char *at = text, *all_end = text + length;
    struct keys keys = { .knows_bench = false };
    unsigned seen = 0;
    int line = 0, error = 0;

    while (error == 0 && at < all_end) {
        const char *end = memchr(at, '\n', (size_t)(all_end - at));

        end = end ? end : all_end;
        line++;
        at = skip_blanks(at, end);
        if (at < end && *at != '#' && !take_line(at, end, &keys, &seen)) /* the line may hold a secret: not shown */
            error = why_set(why, -EINVAL, "%s:%d: not a line of a key file; make one with `poise-ctl keys new FILE`",
                            name, line);
        at = end + (end < all_end);
    }
    keys.knows_bench = seen & 4;
    if (error == 0 && (seen & 3) != 3)
        error = why_set(why, -EINVAL, "%s: no key file: it has no %s key; make one with `poise-ctl keys new FILE`",
                        name, seen & 1 ? "secret" : "public");
    if (error == 0 && !is_pair(&keys))
        error = why_set(why, -EINVAL, "%s: the public key and the secret key are no pair: the file is damaged", name);
    if (error == 0)
        *out = keys;
    keys_forget(&keys);
    return error;
}

static int check_owner(const char *path, int descriptor, struct why *why)
{
    struct stat status;

    if (fstat(descriptor, &status) != 0)
        return why_set(why, -errno, "%s: %s", path, strerror(errno));
    if (!S_ISREG(status.st_mode))
        return why_set(why, -EPERM, "%s: refused: a key is kept in a plain file", path);
    if (status.st_uid != geteuid() && status.st_uid != 0)
        return why_set(why, -EPERM, "%s: refused: the file is another user's, who knows the key too", path);
    if (status.st_mode & FOR_OTHERS)
        return why_set(why, -EPERM,
                       "%s: refused: others may read this key (mode %04o).  Make it yours alone with `chmod 600`; if "
                       "someone may have read it already, make a new one with `poise-ctl keys new`",
                       path, status.st_mode & 07777);
    return 0;
}

/* No core, and nobody of the same user looks into our memory: the secret is in it from now on. */
static void hide_memory(void)
{
    const struct rlimit none = { 0, 0 };

    prctl(PR_SET_DUMPABLE, 0);
    setrlimit(RLIMIT_CORE, &none);
}

int keys_load(const char *path, struct keys *out, struct why *why)
{
    int descriptor = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY), error;
    char text[FILE_BYTES];
    ssize_t length;

    if (descriptor < 0)
        return errno == ELOOP ? why_set(why, -EPERM, "%s: refused: this is a link; name the key file itself", path)
                              : why_set(why, -errno, "%s: %s", path, strerror(errno));
    hide_memory();
    if ((error = check_owner(path, descriptor, why)) == 0) {
        length = read(descriptor, text, sizeof text);
        if (length < 0)
            error = why_set(why, -errno, "%s: %s", path, strerror(errno));
        else
            error = keys_parse(text, (size_t)length, path, out, why);
        explicit_bzero(text, sizeof text);
    }
    close(descriptor);
    return error;
}

int keys_save(const char *path, const struct keys *keys, struct why *why)
{
    char public_key[KEY_TEXT_SIZE], secret_key[KEY_TEXT_SIZE], bench_key[KEY_TEXT_SIZE], text[FILE_BYTES];
    int descriptor = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, FOR_OWNER_ONLY), length,
        error = 0;

    if (descriptor < 0)
        return errno == EEXIST ? why_set(why, -EEXIST, "%s: there is one already; a key is never written over", path)
                               : why_set(why, -errno, "%s: %s", path, strerror(errno));
    hide_memory();
    key_print(keys->public_key, public_key);
    key_print(keys->secret_key, secret_key);
    key_print(keys->bench_key, bench_key);
    length = snprintf(text, sizeof text,
                      "# A key of Poise.  With this file anyone can act as its owner: keep it to yourself, mode 0600.\n"
                      "# Others need the public key only.\npublic = %s\nsecret = %s\n%s%s%s",
                      public_key, secret_key, keys->knows_bench ? "bench = " : "", keys->knows_bench ? bench_key : "",
                      keys->knows_bench ? "\n" : "");
    if (fchmod(descriptor, FOR_OWNER_ONLY) != 0 || write(descriptor, text, (size_t)length) != length
        || fsync(descriptor) != 0)
        error = why_set(why, -(errno ? errno : EIO), "%s: %s", path, strerror(errno ? errno : EIO));
    explicit_bzero(secret_key, sizeof secret_key);
    explicit_bzero(text, sizeof text);
    close(descriptor);
    if (error < 0)
        unlink(path);
    return error;
}
