/* Any bytes as a configuration: read or refused with a sentence, never worse, and nothing left behind. */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "config/config.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);
int __wrap_serial_resolve(const char *port, char *out, size_t size);

static const char path[] = "fuzzed.conf"; /* in the folder where the target runs */

/* Links are not followed here: what stands in /dev and /proc is no part of the input, and changes. */
int __wrap_serial_resolve(const char *port, char *out, size_t size)
{
    if (strlen(port) >= size)
        return -ENAMETOOLONG;
    strcpy(out, port);
    return 0;
}

/* What must hold of a configuration that was called good. */
static void check(const struct config *config)
{
    if (!name_valid(config->bench) || (config->site ? config->follow_count : config->station_count) < 1
        || (strncmp(config->bus, "ipc://", 6) != 0 && strncmp(config->bus, "tcp://", 6) != 0))
        abort();
    for (int i = 0; i < config->follow_count; i++)
        if (!config->site || !name_valid(config->follows[i].name)
            || (strncmp(config->follows[i].bus, "ipc://", 6) != 0 && !config->follows[i].key[0]))
            abort();
    for (int i = 0; i < config->station_count; i++)
        if (!name_valid(config->stations[i].name) || config->stations[i].tracker.cup_count > TRACKER_CUPS)
            abort();
    for (int i = 0; i < config->instrument_count; i++) {
        const struct instrument_config *instrument = &config->instruments[i];

        if (!name_valid(instrument->name) || !driver_find(instrument->driver) || !instrument->port
            || instrument->quantity <= QUANTITY_NONE || instrument->quantity >= QUANTITY_COUNT)
            abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    static int file = -1;
    struct config config;
    struct why why = { "" };
    int error;

    if (file < 0) {
        file = open(path, O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    }
    if (ftruncate(file, 0) < 0 || pwrite(file, data, length, 0) != (ssize_t)length)
        abort();
    error = config_read(&config, path, NULL, &why);
    if (error == 0) {
        check(&config);
        config_free(&config);
    } else if (error != -EINVAL || why.text[0] == '\0') {
        abort();
    }
    return 0;
}
