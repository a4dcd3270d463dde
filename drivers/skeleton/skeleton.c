/* A driver to copy: lines such as "12.34 g", ended by CR LF, and nothing else.  It compiles, is played by the tests
 * with its own capture, and stands in no table: no configuration can name it.
 *
 * To make a driver of it: copy the folder, rename what is called skeleton, add one row to drivers/table.c and one
 * capture with the readings expected of it to tests/captures. */
#include "driver.h"

#include <ctype.h>
#include <errno.h>
#include <string.h>

/* Longer than any line of such an instrument; more without an end is noise (common practice, no source). */
enum { LINE_MOST = 80 };

struct skeleton {
    bool joined; /* the first line after opening may be the second half of one */
};

/* Settings that only this driver knows come in config->settings; this one knows none. */
static int configure(void *state, const struct instrument_config *config, struct why *why)
{
    (void)state;
    if (config->setting_count > 0)
        return why_set(why, -EINVAL, "line %d: %s = is no setting of this driver", config->settings[0].line,
                       config->settings[0].key);
    return 0;
}

static void opened(void *state)
{
    ((struct skeleton *)state)->joined = true;
}

static ssize_t frame(void *state, const uint8_t *buf, size_t length)
{
    const uint8_t *end = memchr(buf, '\n', length < LINE_MOST ? length : LINE_MOST);

    (void)state;
    if (end)
        return end - buf + 1;
    return length >= LINE_MOST ? -LINE_MOST : 0;
}

/* The whole line must match: digits, blanks, a unit of mass.  What is left over makes it something else. */
static int decode(void *state, const uint8_t *line, size_t length, struct reading *out, int most)
{
    struct skeleton *skeleton = state;
    const char *text = (const char *)line;
    size_t digits, begin;
    struct decimal shown;
    enum unit unit;
    int error;

    (void)most;
    if (skeleton->joined) {
        skeleton->joined = false;
        return -REJECT_FIRST;
    }
    while (length > 0 && isspace((unsigned char)text[length - 1]))
        length--;
    if (length == 0)
        return 0;
    for (digits = 0; digits < length && text[digits] != ' '; digits++)
        ;
    for (begin = digits; begin < length && text[begin] == ' '; begin++)
        ;
    error = decimal_parse(text, digits, &shown);
    if (error)
        return error == -ERANGE ? -REJECT_RANGE : -REJECT_NUMBER;
    unit = unit_find(text + begin, length - begin);
    if (unit_quantity(unit) != QUANTITY_MASS)
        return -REJECT_UNIT;
    *out = (struct reading){
        .quantity = QUANTITY_MASS, .status = READING_OK, .stable = -1, .net = -1, .unit = unit, .shown = shown
    };
    return 1;
}

extern const struct driver skeleton_driver;
const struct driver skeleton_driver = {
    .name = "skeleton",
    .summary = "a number and a unit, one a line",
    .transport = TRANSPORT_SERIAL,
    .state_size = sizeof(struct skeleton),
    .configure = configure,
    .opened = opened,
    .frame = frame,
    .decode = decode,
};
