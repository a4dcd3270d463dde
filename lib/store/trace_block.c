/* A trace as a block of bytes; see trace_block.h. */
#include "poise/trace_block.h"

#include <errno.h>
#include <string.h>
#include <zlib.h>

enum {
    HEAD_BYTES = 4,
    CHECK_BYTES = 4,
    NUMBER_BYTES = 10,  /* of 64 bits, 7 in each */
    SAMPLE_NUMBERS = 7, /* that may have changed: seq, instrument, boot, mono, time, exponent, mantissa */
    FLAG_STATUS = 0x03, /* enum reading_status */
    FLAG_STABLE = 0x0c, /* stable + 1, shifted by 2 */
    FLAG_STABLE_SHIFT = 2,
    FLAG_WHERE = 0x10,  /* instrument and boot follow */
    FLAG_CLOCKS = 0x20, /* the distance of the two clocks changed */
    FLAG_EXPONENT = 0x40,
    FLAG_UNKNOWN = 0x80
};

static const char head[HEAD_BYTES + 1] = "PTB1";

/* What the next sample is compared with. */
struct last {
    uint64_t seq;
    int64_t instrument, boot, mono_us, apart_us, mantissa;
    int exponent;
};

static uint64_t fold(int64_t number)
{
    return number < 0 ? ~((uint64_t)number << 1) : (uint64_t)number << 1;
}

static int64_t unfold(uint64_t number)
{
    return (int64_t)(number >> 1 ^ -(number & 1));
}

/* Differences wrap as the sums do that take them back. */
static int64_t minus(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a - (uint64_t)b);
}

static int64_t plus(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a + (uint64_t)b);
}

size_t trace_block_most(size_t count)
{
    return HEAD_BYTES + NUMBER_BYTES + CHECK_BYTES + count * (1 + SAMPLE_NUMBERS * NUMBER_BYTES);
}

static unsigned char *put(unsigned char *out, uint64_t number)
{
    for (; number >= 0x80; number >>= 7)
        *out++ = (unsigned char)(number | 0x80);
    *out++ = (unsigned char)number;
    return out;
}

static unsigned char *put_sample(unsigned char *out, const struct trace_sample *sample, struct last *last)
{
    int64_t apart_us = minus(sample->time_us, sample->mono_us);
    bool where = sample->instrument != last->instrument || sample->boot != last->boot;
    bool clocks = apart_us != last->apart_us, ok = sample->status == READING_OK;
    bool exponent = ok && sample->value.exponent != last->exponent;

    *out++ =
        (unsigned char)((unsigned)sample->status | (unsigned)(sample->stable + 1) << FLAG_STABLE_SHIFT
                        | (where ? FLAG_WHERE : 0U) | (clocks ? FLAG_CLOCKS : 0U) | (exponent ? FLAG_EXPONENT : 0U));
    out = put(out, sample->seq - last->seq);
    if (where) {
        out = put(out, fold(sample->instrument));
        out = put(out, fold(sample->boot));
    }
    out = put(out, fold(minus(sample->mono_us, last->mono_us)));
    if (clocks)
        out = put(out, fold(minus(apart_us, last->apart_us)));
    if (exponent)
        out = put(out, (uint64_t)-sample->value.exponent);
    if (ok)
        out = put(out, fold(minus(sample->value.mantissa, last->mantissa)));
    *last = (struct last){ .seq = sample->seq,
                           .instrument = sample->instrument,
                           .boot = sample->boot,
                           .mono_us = sample->mono_us,
                           .apart_us = apart_us,
                           .mantissa = ok ? sample->value.mantissa : last->mantissa,
                           .exponent = ok ? sample->value.exponent : last->exponent };
    return out;
}

size_t trace_block_write(const struct trace_sample *samples, size_t count, unsigned char *out)
{
    struct last last = { 0 };
    unsigned char *at = out;
    unsigned long check;

    memcpy(at, head, HEAD_BYTES);
    at = put(at + HEAD_BYTES, count);
    for (size_t i = 0; i < count; i++)
        at = put_sample(at, &samples[i], &last);
    check = crc32(0, out, (uInt)(at - out));
    for (int i = 0; i < CHECK_BYTES; i++)
        *at++ = (unsigned char)(check >> 8 * i);
    return (size_t)(at - out);
}

/* NULL: it does not end. */
static const unsigned char *take(const unsigned char *at, const unsigned char *end, uint64_t *number)
{
    *number = 0;
    for (int shift = 0; at && at < end && shift < 64; shift += 7) {
        *number |= (uint64_t)(*at & 0x7f) << shift;
        if (!(*at++ & 0x80))
            return at;
    }
    return NULL;
}

static const unsigned char *take_signed(const unsigned char *at, const unsigned char *end, int64_t *number)
{
    uint64_t folded = 0;

    at = take(at, end, &folded);
    *number = unfold(folded);
    return at;
}

static const unsigned char *take_sample(const unsigned char *at, const unsigned char *end, struct last *last,
                                        struct trace_sample *out)
{
    unsigned flags;
    uint64_t step = 0;
    int64_t change;

    if (!at || at == end || (flags = *at++) & FLAG_UNKNOWN)
        return NULL;
    out->status = (enum reading_status)(flags & FLAG_STATUS);
    out->stable = (signed char)((int)((flags & FLAG_STABLE) >> FLAG_STABLE_SHIFT) - 1);
    at = take(at, end, &step);
    last->seq += step;
    if (flags & FLAG_WHERE) {
        at = take_signed(at, end, &last->instrument);
        at = take_signed(at, end, &last->boot);
    }
    at = take_signed(at, end, &change);
    last->mono_us = plus(last->mono_us, change);
    if (flags & FLAG_CLOCKS) {
        at = take_signed(at, end, &change);
        last->apart_us = plus(last->apart_us, change);
    }
    if (flags & FLAG_EXPONENT) {
        at = take(at, end, &step);
        if (step > 18)
            return NULL;
        last->exponent = -(int)step;
    }
    if (out->status == READING_OK) {
        at = take_signed(at, end, &change);
        last->mantissa = plus(last->mantissa, change);
    }
    out->seq = last->seq;
    out->instrument = last->instrument;
    out->boot = last->boot;
    out->mono_us = last->mono_us;
    out->time_us = plus(last->mono_us, last->apart_us);
    out->value = out->status == READING_OK ? (struct decimal){ last->mantissa, last->exponent } : (struct decimal){ 0 };
    return out->stable <= 1 ? at : NULL;
}

/* Where the samples begin, and how many there are; NULL: it is no whole block. */
static const unsigned char *begin(const unsigned char *block, size_t length, uint64_t *count)
{
    const unsigned char *end = block + length - CHECK_BYTES;
    unsigned long check = 0;

    if (length < HEAD_BYTES + 1 + CHECK_BYTES || memcmp(block, head, HEAD_BYTES) != 0)
        return NULL;
    for (int i = 0; i < CHECK_BYTES; i++)
        check |= (unsigned long)end[i] << 8 * i;
    if (check != crc32(0, block, (uInt)(end - block)))
        return NULL;
    block = take(block + HEAD_BYTES, end, count);
    return *count <= TRACE_SAMPLES_MOST ? block : NULL;
}

int trace_block_read(const unsigned char *block, size_t length,
                     int (*each)(void *context, const struct trace_sample *sample), void *context)
{
    const unsigned char *end = block + length - CHECK_BYTES, *at;
    int result = 0;
    uint64_t count;

    for (int pass = 0; pass < 2; pass++) { /* first to its end, so that nobody is handed half a trace */
        struct last last = { 0 };
        struct trace_sample sample;

        if (!(at = begin(block, length, &count)))
            return -EBADMSG;
        for (uint64_t i = 0; i < count; i++) {
            if (!(at = take_sample(at, end, &last, &sample)))
                return -EBADMSG;
            if (pass == 1 && (result = each(context, &sample)) != 0)
                return result;
        }
        if (at != end)
            return -EBADMSG;
    }
    return 0;
}
