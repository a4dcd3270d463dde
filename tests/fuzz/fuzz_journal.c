/* Any bytes as the tail beside a journal, in the folder where the target runs: what is handed out of it is whole, and
 * what is written there afterwards is read back. */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "journal/journal_file.h"
#include "journal/journal_tail.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

static const char entry[] = "[\"reading/pier/left-scale\",{\"v\":1,\"bench\":\"pier\",\"seq\":7}]";

static void put(const char *path, const uint8_t *data, size_t length)
{
    int file = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    if (file < 0 || write(file, data, length) != (ssize_t)length)
        abort();
    close(file);
}

static void each(void *context, const char *text, size_t length)
{
    struct journal_entry read;

    if (length == sizeof entry - 1 && memcmp(text, entry, length) == 0)
        ++*(int *)context;
    if (journal_entry_read(text, length, &read) == 0
        && (read.length > length || read.topic_length > length || read.json_length > length))
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    size_t first = length > 1 ? (size_t)data[0] * (length - 1) / 255 : 0;
    struct journal_tail tail;
    struct journal_entry read;
    int before = 0, after = 0;

    if (length < 1)
        return 0;
    journal_entry_read((const char *)data + 1, length - 1, &read);
    put("fuzzed.tail-1", data + 1, first);
    put("fuzzed.tail-2", data + 1 + first, length - 1 - first);
    tail_open(&tail, "fuzzed", each, &before);
    if (tail_add(&tail, entry, sizeof entry - 1) != 0)
        abort();
    tail_close(&tail);
    tail_open(&tail, "fuzzed", each, &after);
    tail_close(&tail);
    if (after != before + 1)
        abort();
    return 0;
}
