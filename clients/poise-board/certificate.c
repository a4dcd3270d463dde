/* The board's certificate; see certificate.h. */
#include "certificate.h"

#include <arpa/inet.h>
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <gnutls/crypto.h>
#include <gnutls/gnutls.h>
#include <gnutls/x509.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum {
    PEM_MOST = 65536,
    DAYS = 730, /* browsers take no certificate for much longer */
    DAY_S = 86400,
    SERIAL_BYTES = 16
};

static void address_part(const char *listen, char out[64])
{
    const char *from = *listen == '[' ? listen + 1 : listen;
    size_t length = strcspn(from, *listen == '[' ? "]" : ":");

    snprintf(out, 64, "%.*s", (int)(length < 63 ? length : 63), from);
}

bool certificate_local(const char *listen)
{
    char address[64];
    struct in_addr four;

    address_part(listen, address);
    if (inet_pton(AF_INET, address, &four) == 1)
        return ntohl(four.s_addr) >> 24 == 127;
    return strcmp(address, "::1") == 0;
}

static int trouble(const char *path, int code, struct why *why)
{
    return why_set(why, -EINVAL, "%s: %s", path, gnutls_strerror(code));
}

/* ---- making one ---- */

static int name_it(gnutls_x509_crt_t crt, const char *listen)
{
    unsigned char bytes[sizeof(struct in6_addr)], serial[SERIAL_BYTES];
    char host[256] = "", address[64];
    int code = gnutls_rnd(GNUTLS_RND_NONCE, serial, sizeof serial);

    serial[0] &= 0x7f; /* RFC 5280: positive */
    address_part(listen, address);
    gethostname(host, sizeof host - 1);
    if (code >= 0)
        code = gnutls_x509_crt_set_serial(crt, serial, sizeof serial);
    if (code >= 0)
        code = gnutls_x509_crt_set_dn_by_oid(crt, GNUTLS_OID_X520_COMMON_NAME, 0, "Poise board", 11);
    if (code >= 0)
        code = gnutls_x509_crt_set_subject_alt_name(crt, GNUTLS_SAN_DNSNAME, "localhost", 9, GNUTLS_FSAN_SET);
    if (code >= 0 && *host)
        code = gnutls_x509_crt_set_subject_alt_name(crt, GNUTLS_SAN_DNSNAME, host, (unsigned)strlen(host),
                                                    GNUTLS_FSAN_APPEND);
    if (code >= 0 && inet_pton(AF_INET, address, bytes) == 1)
        code = gnutls_x509_crt_set_subject_alt_name(crt, GNUTLS_SAN_IPADDRESS, bytes, 4, GNUTLS_FSAN_APPEND);
    else if (code >= 0 && inet_pton(AF_INET6, address, bytes) == 1)
        code = gnutls_x509_crt_set_subject_alt_name(crt, GNUTLS_SAN_IPADDRESS, bytes, 16, GNUTLS_FSAN_APPEND);
    return code;
}

static int sign(gnutls_x509_crt_t crt, gnutls_x509_privkey_t key, const char *listen)
{
    time_t now = time(NULL);
    int code = gnutls_x509_privkey_generate(key, GNUTLS_PK_ECDSA, GNUTLS_CURVE_TO_BITS(GNUTLS_ECC_CURVE_SECP256R1), 0);

    if (code >= 0)
        code = gnutls_x509_crt_set_version(crt, 3);
    if (code >= 0)
        code = gnutls_x509_crt_set_activation_time(crt, now - DAY_S); /* a tablet's clock may be behind */
    if (code >= 0)
        code = gnutls_x509_crt_set_expiration_time(crt, now + (time_t)DAYS * DAY_S);
    if (code >= 0)
        code = name_it(crt, listen);
    if (code >= 0)
        code = gnutls_x509_crt_set_key_usage(crt, GNUTLS_KEY_DIGITAL_SIGNATURE);
    if (code >= 0)
        code = gnutls_x509_crt_set_key_purpose_oid(crt, GNUTLS_KP_TLS_WWW_SERVER, 0);
    if (code >= 0)
        code = gnutls_x509_crt_set_key(crt, key);
    if (code >= 0)
        code = gnutls_x509_crt_sign2(crt, crt, key, GNUTLS_DIG_SHA256, 0);
    return code;
}

static int write_file(const char *path, const gnutls_datum_t *part, int count, struct why *why)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0600), error = 0;

    if (fd < 0)
        return why_set(why, -errno, "%s: %s", path, strerror(errno));
    for (int i = 0; i < count && !error; i++)
        if (write(fd, part[i].data, part[i].size) != (ssize_t)part[i].size)
            error = why_set(why, -EIO, "%s: not written: is the disk full?", path);
    if (fsync(fd) < 0 && !error)
        error = why_set(why, -errno, "%s: %s", path, strerror(errno));
    close(fd);
    return error;
}

static int make_one(const char *path, const char *listen, struct why *why)
{
    gnutls_x509_crt_t crt = NULL;
    gnutls_x509_privkey_t key = NULL;
    gnutls_datum_t part[2] = { { NULL, 0 }, { NULL, 0 } };
    int code = gnutls_x509_crt_init(&crt), error;

    if (code >= 0)
        code = gnutls_x509_privkey_init(&key);
    if (code >= 0)
        code = sign(crt, key, listen);
    if (code >= 0)
        code = gnutls_x509_crt_export2(crt, GNUTLS_X509_FMT_PEM, &part[0]);
    if (code >= 0)
        code = gnutls_x509_privkey_export2(key, GNUTLS_X509_FMT_PEM, &part[1]);
    error = code < 0 ? trouble(path, code, why) : write_file(path, part, 2, why);
    if (part[1].data)
        explicit_bzero(part[1].data, part[1].size);
    gnutls_free(part[0].data);
    gnutls_free(part[1].data);
    gnutls_x509_privkey_deinit(key);
    gnutls_x509_crt_deinit(crt);
    return error;
}

/* ---- reading ---- */

static int read_file(const char *path, char **out, struct why *why)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC), error = 0;
    struct stat status;
    char *text;

    if (fd < 0)
        return why_set(why, -errno, "%s: %s", path, strerror(errno));
    text = calloc(1, PEM_MOST + 1);
    if (!text) {
        close(fd);
        return why_set(why, -ENOMEM, "out of memory");
    }
    if (fstat(fd, &status) < 0 || !S_ISREG(status.st_mode) || status.st_size > PEM_MOST)
        error = why_set(why, -EINVAL, "%s: not a PEM file with a certificate and its key", path);
    else if (status.st_mode & 077)
        error = why_set(why, -EPERM, "%s: others can read the key in it: chmod 600 it", path);
    else if (read(fd, text, PEM_MOST) < 0)
        error = why_set(why, -errno, "%s: %s", path, strerror(errno));
    close(fd);
    if (error) {
        free(text);
        return error;
    }
    *out = text;
    return 0;
}

/* Its fingerprint; -ESTALE when its time is over. */
static int look_at(struct certificate *certificate, const char *path, struct why *why)
{
    gnutls_datum_t pem;
    unsigned char print[32];
    size_t size = sizeof print;
    gnutls_x509_crt_t crt = NULL;
    int code = gnutls_x509_crt_init(&crt), error = 0;

    assert(certificate->pem); /* it was read */
    pem = (gnutls_datum_t){ (unsigned char *)certificate->pem, (unsigned)strlen(certificate->pem) };
    if (code >= 0)
        code = gnutls_x509_crt_import(crt, &pem, GNUTLS_X509_FMT_PEM);
    if (code >= 0)
        code = gnutls_x509_crt_get_fingerprint(crt, GNUTLS_DIG_SHA256, print, &size);
    if (code < 0)
        error =
            why_set(why, -EINVAL, "%s: not a PEM file with a certificate and its key: %s", path, gnutls_strerror(code));
    else if (gnutls_x509_crt_get_expiration_time(crt) < time(NULL))
        error = why_set(why, -ESTALE, "%s: the certificate's time is over", path);
    for (size_t i = 0; !error && i < size; i++)
        snprintf(certificate->print + 3 * i, 4, "%02X%s", print[i], i + 1 < size ? ":" : "");
    gnutls_x509_crt_deinit(crt);
    return error;
}

int certificate_open(struct certificate *out, const char *path, bool make, const char *listen, struct why *why)
{
    struct certificate certificate = { .pem = NULL };
    int error = read_file(path, &certificate.pem, why);

    if (!error)
        error = look_at(&certificate, path, why);
    if (make && (error == -ENOENT || error == -ESTALE)) {
        certificate_free(&certificate);
        error = make_one(path, listen, why);
        if (!error)
            error = read_file(path, &certificate.pem, why);
        if (!error)
            error = look_at(&certificate, path, why);
    }
    if (error) {
        certificate_free(&certificate);
        return error;
    }
    *out = certificate;
    return 0;
}

void certificate_free(struct certificate *certificate)
{
    if (certificate->pem)
        explicit_bzero(certificate->pem, strlen(certificate->pem));
    free(certificate->pem);
    certificate->pem = NULL;
}
