/* A brew's trace as one block of bytes: what is alike from reading to reading takes no room.  A minute of a scale that
 * reports ten times a second is some three kilobytes; as rows of a table it is ten times that.
 *
 * The block: "PTB1"; the number of samples; then for each a byte of flags, and what the flags say has changed, as
 * variable-length numbers of 7 bits a byte, low ones first (as in the Protocol Buffers wire format), signed ones folded
 * (zigzag); at the end the CRC-32 of all before it (ISO 3309, as zlib computes it), low byte first.  Pure. */
#ifndef POISE_TRACE_BLOCK_H
#define POISE_TRACE_BLOCK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "poise/reading.h"

#pragma GCC visibility push(default)

/* One reading of a brew, as the store's table `trace` has it. */
struct trace_sample {
    uint64_t seq;
    int64_t instrument, boot; /* rows of their tables */
    int64_t time_us, mono_us;
    enum reading_status status;
    signed char stable;   /* 1, 0, -1: not known */
    struct decimal value; /* with READING_OK: exponent -18 to 0 */
};

enum { TRACE_SAMPLES_MOST = 1 << 22 }; /* five days of a scale; more is damage */

/* The most bytes that so many samples take. */
size_t trace_block_most(size_t count);

/* Writes the block; `out` has trace_block_most(count) bytes.  Returns its length. */
size_t trace_block_write(const struct trace_sample *samples, size_t count, unsigned char *out);

/* Reads it back, sample by sample, until `each` returns non-zero: that is returned.  Returns 0, or -EBADMSG when the
 * block is damaged; then `each` was not called. */
int trace_block_read(const unsigned char *block, size_t length,
                     int (*each)(void *context, const struct trace_sample *sample), void *context);

#pragma GCC visibility pop

#endif
