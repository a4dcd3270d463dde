/* The USB scales that a bench without an [instrument] takes by itself, each under a name that it keeps.
 * Pure: what is plugged in is reported. */
#ifndef POISE_SCALES_H
#define POISE_SCALES_H

#include "config/config.h"
#include "transport/usb_choice.h"

enum { SCALES_MOST = 8 }; /* a bench that has more needs a configuration to distinguish them */

struct scales {
    struct scale {
        char name[NAME_SIZE];  /* scale-SERIAL, or scale-PLACE where there is no serial number of its own */
        char port[96];         /* as the configuration would say it */
        struct usb_found seen; /* when it was there last */
    } list[SCALES_MOST];
    int count;
};

/* What a section for a USB device would say: a name KIND-SERIAL or KIND-PLACE, and the port that names this very one
 * among those of the list. */
struct scale scale_section(const char *kind, const struct usb_found *found, const struct usb_found *list, int count);

/* Notes those that are new; those that were pulled out stay, and keep their name where they are plugged in next.  True
 * when there is a new one, or one has another port. */
bool scales_note(struct scales *scales, const struct usb_found *found, int count);

/* Adds a section for each to a configuration that has none; the strings are those of `scales`.  The first belongs
 * to the station, where there is only one.  0 or -ENOMEM. */
int scales_add(const struct scales *scales, struct config *config, struct why *why);

#endif
