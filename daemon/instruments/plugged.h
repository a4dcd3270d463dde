/* What is plugged in and no section names: so that a bench user sees it and knows what to do.  Opens nothing. */
#ifndef POISE_PLUGGED_H
#define POISE_PLUGGED_H

#include "config/config.h"
#include "poise/text.h"

/* Adds a JSON array of objects: "kind" (serial, scale, keyboard), "port" as a section would name it, "usb" (VID:PID or
 * null), "title" (what it calls itself, may be empty), "detail" (a sentence: what to do) and "section" (to paste, or
 * null where poise-ctl probe has to find out first). */
void plugged_write(const struct config *config, struct text *out);

#endif
