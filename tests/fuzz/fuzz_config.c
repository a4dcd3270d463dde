/* Any bytes as a configuration: read or refused with a sentence, never worse, and nothing left behind. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "config/config.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

/* What must hold of a configuration that was called good. */
static void check(const struct config *config)
{
    if (!name_valid(config->bench) || config->station_count < 1 || strncmp(config->bus, "ipc://", 6) != 0)
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
    static char path[64];
    struct config config;
    struct why why = { "" };
    int error;

    if (file < 0) {
        file = memfd_create("config", 0);
        snprintf(path, sizeof path, "/proc/self/fd/%d", file);
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
