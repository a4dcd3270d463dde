/* Informing the service manager how it goes (sd_notify(3), protocol only): nothing where there is none. */
#ifndef POISE_NOTIFY_H
#define POISE_NOTIFY_H

#include <stdint.h>

/* "READY=1", "RELOADING=1", "STOPPING=1", "WATCHDOG=1", with STATUS=... lines as wanted. */
void notify_send(const char *state);

/* How often the watchdog wants to hear from us, in microseconds; 0: there is none. */
uint64_t notify_watchdog_us(void);

#endif
