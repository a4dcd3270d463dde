/* Inside the line driver: its state, and what its files share.  Nobody else includes this. */
#ifndef POISE_LINE_H
#define POISE_LINE_H

#include "driver.h"

enum {
    LINE_FRAME_MOST = 80, /* bytes with the line end; layouts met have half (common practice, no source) */
    LINE_ORDER_MOST = 64, /* bytes of a poll or an order; those met have under 10 */
};

enum line_layout { LINE_TEXT, LINE_FIELDS, LINE_PATTERN, LINE_STX_STATUS, LINE_STX_LETTER };

struct line_pattern;

/* What the configuration said, and the little that changes while bytes arrive. */
struct line {
    enum line_layout layout;
    enum quantity quantity;     /* of a number that does not say what it is */
    enum unit unit;             /* of a bare number; UNIT_NONE: it is rejected */
    enum unit temperature_unit; /* of a bare temperature */
    char decimal;               /* ',' or '.'; 0: not given */
    char separator;
    bool checksum, seven_bit, blank_unit_moving;
    bool sample_limited; /* the two below are set */
    double sample_lowest_c, sample_highest_c;
    enum quantity fields[16]; /* QUANTITY_NONE: skipped */
    int field_count;
    const char *prefix; /* owned */
    size_t prefix_length;
    struct line_pattern *pattern; /* owned */
    struct {
        uint8_t data[LINE_ORDER_MOST];
        size_t length;
    } ask, orders[ORDER_COUNT];

    bool joined;   /* opened in the middle of a line perhaps: the first one is dropped */
    bool skipping; /* the rest of a line that was too long */
};

/* A line cleaned of fill and line ends; control characters and stray high bits are not in it. */
struct line_text {
    const char *text;
    size_t length;
};

/* line.c */
bool line_is_blank(struct line_text text);

/* Readings of a line in the configured layout, STX apart; a count or a negative reject reason. */
int line_readings(const struct line *line, struct line_text text, struct reading *out, int most);

/* line_settings.c */
int line_configure(void *state, const struct instrument_config *config, struct why *why);
void line_release(void *state);

/* line_text.c: readings of a text line or a list of fields; a count or a negative reject reason. */
int line_text_decode(const struct line *line, struct line_text text, struct reading *out, int most);
int line_fields_decode(const struct line *line, struct line_text text, struct reading *out, int most);

/* line_reading.c */

/* A number with the configured or evident decimal sign; 0 or a negative reject reason. */
int line_number(const struct line *line, const char *text, size_t length, bool negative, struct decimal *out);

/* A reading, when the value lies within what such an instrument can show; 0 or a negative reject reason. */
int line_reading(enum quantity quantity, enum unit unit, struct decimal shown, struct reading *out);

/* A reading without a value. */
void line_reading_fault(const struct line *line, enum reading_status status, const char *detail, size_t length,
                        struct reading *out);

/* Values measured on a sample outside the configured temperatures say so in their detail. */
void line_limit_sample(const struct line *line, struct reading *readings, int count);

/* line_pattern.c */
int line_pattern_new(struct line_pattern **out, const char *pattern, struct why *why);
void line_pattern_free(struct line_pattern *pattern);
int line_pattern_decode(const struct line *line, struct line_text text, struct reading *out, int most);

#endif
