/* Inside the configuration: one value of the text into what it means.  Nobody but config*.c includes this.
 *
 * Every function returns 0, or a negative errno with a sentence that says what would be right. */
#ifndef POISE_CONFIG_VALUES_H
#define POISE_CONFIG_VALUES_H

#include <stdbool.h>

#include "driver.h"
#include "config.h"
#include "poise/why.h"

/* Bytes of one ask or order; those met have under 10. */
enum { CONFIG_BYTES_MOST = 64 };

/* A number within [least, most] with a point and no unit. */
int config_number(const char *value, double least, double most, double *out, struct why *why);
int config_whole_number(const char *value, int least, int most, int *out, struct why *why);
int config_yes_or_no(const char *value, bool *out, struct why *why);

/* Text with \r \n \t \0 \\ \xHH resolved; out has room for CONFIG_BYTES_MOST bytes.  `length` characters are read. */
int config_bytes(const char *value, size_t length, uint8_t *out, size_t *out_length, struct why *why);

/* "P\r\n every 200 ms": the bytes before "every" and the pause in milliseconds (20 to 60000).  No bytes before
 * "every" leaves the asking to the driver. */
int config_ask(const char *value, uint8_t *out, size_t *out_length, int *every_ms, struct why *why);

/* A path as it is, or below `folder` (no slash at its end) when it is relative.  -ENAMETOOLONG when it does not fit. */
int config_path(const char *folder, const char *value, char *out, size_t size, struct why *why);

/* "ipc:///run/poise/bus", relative as a path, or "tcp://192.168.7.20:7401"; or several with commas between. */
int config_addresses(const char *folder, const char *value, char out[CONFIG_ADDRESSES_SIZE], struct why *why);

#endif
