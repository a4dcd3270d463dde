/* One value of the configuration into what it means; see config_values.h. */
#include "config_values.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/un.h>

enum {
    ASK_LEAST_MS = 20, /* 50 a second: faster than any instrument answers (common practice, no source) */
    ASK_MOST_MS = 60000
};

int config_number(const char *value, double least, double most, double *out, struct why *why)
{
    char *end;
    double number;

    errno = 0;
    number = strtod(value, &end);
    if (end == value || *end != '\0' || errno != 0 || !isfinite(number) || strpbrk(value, "xX") || number < least
        || number > most)
        return why_set(why, -EINVAL, "write a number from %g to %g, with a point and without a unit", least, most);
    *out = number;
    return 0;
}

int config_whole_number(const char *value, int least, int most, int *out, struct why *why)
{
    char *end;
    long number;

    errno = 0;
    number = strtol(value, &end, 10);
    if (end == value || *end != '\0' || errno != 0 || number < least || number > most)
        return why_set(why, -EINVAL, "write a whole number from %d to %d, without a unit", least, most);
    *out = (int)number;
    return 0;
}

int config_yes_or_no(const char *value, bool *out, struct why *why)
{
    if (strcmp(value, "yes") != 0 && strcmp(value, "no") != 0)
        return why_set(why, -EINVAL, "write yes or no");
    *out = value[0] == 'y';
    return 0;
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    c = (char)tolower((unsigned char)c);
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

/* One escape at `text`, which points behind the backslash.  Returns the characters read, or -1. */
static int unescape(const char *text, const char *end, uint8_t *out)
{
    static const char letters[] = "rnt0\\", meanings[] = { '\r', '\n', '\t', '\0', '\\' };
    const char *letter;

    if (text == end)
        return -1;
    if (*text == 'x') {
        int high = text + 1 < end ? hex_digit(text[1]) : -1, low = text + 2 < end ? hex_digit(text[2]) : -1;

        if (high < 0 || low < 0)
            return -1;
        *out = (uint8_t)(high << 4 | low);
        return 3;
    }
    letter = memchr(letters, *text, sizeof letters - 1);
    if (letter == NULL)
        return -1;
    *out = (uint8_t)meanings[letter - letters];
    return 1;
}

int config_bytes(const char *value, size_t length, uint8_t *out, size_t *out_length, struct why *why)
{
    const char *end = value + length;
    uint8_t bytes[CONFIG_BYTES_MOST];
    size_t count = 0;

    while (value < end) {
        if (count == sizeof bytes)
            return why_set(why, -EINVAL, "more than %d bytes; instruments understand a few letters and a line end",
                           CONFIG_BYTES_MOST);
        if (*value != '\\') {
            bytes[count++] = (uint8_t)*value++;
            continue;
        }
        int read = unescape(value + 1, end, &bytes[count++]);
        if (read < 0)
            return why_set(why, -EINVAL, "after \\ comes r, n, t, 0, \\ or x with two hexadecimal digits, as \\x1b");
        value += 1 + read;
    }
    memcpy(out, bytes, count);
    *out_length = count;
    return 0;
}

/* Where the last "every" begins, a word of its own; NULL: there is none. */
static const char *find_every(const char *value)
{
    const char *last = NULL;

    for (const char *at = strstr(value, "every"); at; at = strstr(at + 1, "every"))
        if ((at == value || at[-1] == ' ' || at[-1] == '\t') && isspace((unsigned char)at[5]))
            last = at;
    return last;
}

int config_ask(const char *value, uint8_t *out, size_t *out_length, int *every_ms, struct why *why)
{
    const char *every = find_every(value), *end;
    char unit[3] = "";
    double pause, least;
    int taken = -1;

    if (every == NULL)
        return why_set(why, -EINVAL, "give the interval as well: P\\r\\n every 200 ms");
    if (sscanf(every, "every %lf %2[ms]%n", &pause, unit, &taken) != 2 || every[taken] != '\0'
        || (strcmp(unit, "ms") != 0 && strcmp(unit, "s") != 0))
        return why_set(why, -EINVAL, "the pause is a number and ms or s: P\\r\\n every 200 ms");
    least = ASK_LEAST_MS;
    if (strcmp(unit, "s") == 0)
        pause *= 1000;
    if (!(pause >= least && pause <= ASK_MOST_MS))
        return why_set(why, -EINVAL, "the pause must be %d ms to %d s", ASK_LEAST_MS, ASK_MOST_MS / 1000);
    for (end = every; end > value && isspace((unsigned char)end[-1]); end--)
        ;
    int error = config_bytes(value, (size_t)(end - value), out, out_length, why);
    if (error == 0)
        *every_ms = (int)(pause + 0.5);
    return error;
}

int config_path(const char *folder, const char *value, char *out, size_t size, struct why *why)
{
    bool whole = value[0] == '/' || folder[0] == '\0';
    const char *plain = !whole && strncmp(value, "./", 2) == 0 ? value + 2 : value;

    if (value[0] == '\0')
        return why_set(why, -EINVAL, "write a path");
    if (strlen(plain) + (whole ? 0 : strlen(folder) + 1) >= size)
        return why_set(why, -ENAMETOOLONG, "the path is longer than %zu characters", size - 1);
    if (whole)
        snprintf(out, size, "%s", plain);
    else
        snprintf(out, size, "%s/%s", folder, plain);
    return 0;
}

/* tcp://ADDRESS:PORT, an address of this machine or * for all of them. */
static int tcp_address(const char *value, char *out, size_t size, struct why *why)
{
    const char *host = value + strlen("tcp://"), *colon = strrchr(host, ':');
    char *end;
    long port = colon ? strtol(colon + 1, &end, 10) : 0;

    if (!colon || colon == host || colon[1] < '0' || colon[1] > '9' || *end || port < 1 || port > 65535)
        return why_set(why, -EINVAL,
                       "write tcp:// with an address of this machine and a port, as tcp://192.168.7.20:7401");
    for (const char *at = host; at < colon; at++)
        if (!isalnum((unsigned char)*at) && !strchr(".:*[]%-_", *at))
            return why_set(why, -EINVAL, "an address has letters, digits and . : * [ ] only");
    if (strlen(value) >= size)
        return why_set(why, -ENAMETOOLONG, "the address is too long");
    snprintf(out, size, "%s", value);
    return 0;
}

static int ipc_address(const char *folder, const char *value, char *out, size_t size, struct why *why)
{
    static const char scheme[] = "ipc://";
    const size_t scheme_length = sizeof scheme - 1, path_most = sizeof((struct sockaddr_un *)NULL)->sun_path;
    char path[512];
    int error;

    if (strncmp(value, scheme, scheme_length) != 0 || value[scheme_length] == '@' || value[scheme_length] == '*')
        return why_set(why, -EINVAL, "write ipc:// and a path, as ipc:///run/poise/bus");
    error = config_path(folder, value + scheme_length, path, sizeof path, why);
    if (error < 0)
        return error;
    if (strlen(path) >= path_most || strlen(path) + scheme_length >= size)
        return why_set(why, -ENAMETOOLONG, "the path of a socket has at most %zu characters, this one has %zu",
                       path_most - 1, strlen(path));
    if (strchr(path, ','))
        return why_set(why, -EINVAL, "the path of a socket has no comma: that separates two addresses");
    memcpy(out, scheme, scheme_length);
    strcpy(out + scheme_length, path);
    return 0;
}

const char *config_next_address(const char *list, char out[CONFIG_PATH_SIZE])
{
    size_t length = strcspn(list, ","), next = length;

    while (length > 0 && (list[length - 1] == ' ' || list[length - 1] == '\t'))
        length--;
    snprintf(out, CONFIG_PATH_SIZE, "%.*s", (int)length, list);
    if (!list[next])
        return NULL;
    return list + next + 1 + strspn(list + next + 1, " \t");
}

int config_addresses(const char *folder, const char *value, char out[CONFIG_ADDRESSES_SIZE], struct why *why)
{
    char whole[CONFIG_ADDRESSES_SIZE] = "", one[CONFIG_PATH_SIZE], address[CONFIG_PATH_SIZE];
    int error = 0, count = 0;

    for (const char *at = value; error == 0 && at;) {
        at = config_next_address(at, one);
        error = strncmp(one, "tcp://", 6) == 0 ? tcp_address(one, address, sizeof address, why)
                                               : ipc_address(folder, one, address, sizeof address, why);
        if (error == 0 && ++count > CONFIG_ADDRESSES_MOST)
            error = why_set(why, -EINVAL, "at most %d addresses", CONFIG_ADDRESSES_MOST);
        if (error == 0 && strlen(whole) + strlen(address) + 3 > sizeof whole)
            error = why_set(why, -ENAMETOOLONG, "the addresses are too long");
        if (error == 0)
            snprintf(whole + strlen(whole), sizeof whole - strlen(whole), "%s%s", count > 1 ? ", " : "", address);
    }
    if (error == 0)
        strcpy(out, whole);
    return error;
}
