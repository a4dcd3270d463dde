/* Any bytes as the block of a trace that came from a shared record: read whole or refused whole, and what is read is
 * written again as a block that reads the same.  Half of the inputs get the right checksum first, as somebody who means
 * harm would give it. */
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include "poise/trace_block.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

struct read {
    struct trace_sample *all;
    size_t count, size;
};

static void must(int holds)
{
    if (!holds)
        abort();
}

static int keep(void *context, const struct trace_sample *sample)
{
    struct read *read = context;

    if (read->count == read->size) {
        read->size = read->size ? 2 * read->size : 16;
        must((read->all = realloc(read->all, read->size * sizeof *read->all)) != NULL);
    }
    must(sample->status >= READING_OK && sample->status <= READING_FAULT);
    must(sample->stable >= -1 && sample->stable <= 1);
    must(sample->value.exponent <= 0 && sample->value.exponent >= -18);
    read->all[read->count++] = *sample;
    return 0;
}

static int same(const struct trace_sample *a, const struct trace_sample *b)
{
    return a->seq == b->seq && a->instrument == b->instrument && a->boot == b->boot && a->time_us == b->time_us
           && a->mono_us == b->mono_us && a->status == b->status && a->stable == b->stable
           && a->value.mantissa == b->value.mantissa && (a->status || a->value.exponent == b->value.exponent);
}

static void read_and_write(const unsigned char *block, size_t length)
{
    struct read first = { 0 }, second = { 0 };
    unsigned char *again;
    size_t written;

    if (trace_block_read(block, length, keep, &first) != 0) {
        must(first.count == 0); /* nobody is handed half a trace */
        return;
    }
    must((again = malloc(trace_block_most(first.count))) != NULL);
    written = trace_block_write(first.all, first.count, again);
    must(written <= trace_block_most(first.count));
    must(trace_block_read(again, written, keep, &second) == 0 && second.count == first.count);
    for (size_t i = 0; i < first.count; i++)
        must(same(&first.all[i], &second.all[i]));
    free(again);
    free(first.all);
    free(second.all);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    unsigned char *block;
    unsigned long check;

    read_and_write(data, length);
    if (length > (1 << 16) || !(block = malloc(length + 8)))
        return 0;
    memcpy(block, "PTB1", 4); /* the bytes as what stands between head and checksum */
    memcpy(block + 4, data, length);
    check = crc32(0, block, (uInt)(length + 4));
    for (int i = 0; i < 4; i++)
        block[length + 4 + (size_t)i] = (unsigned char)(check >> 8 * i);
    read_and_write(block, length + 8);
    free(block);
    return 0;
}
