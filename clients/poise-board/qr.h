/* A text as a QR code (ISO/IEC 18004), for a phone's camera. */
#ifndef BOARD_QR_H
#define BOARD_QR_H

#include "poise/text.h"

/* Its rows as JSON: ["101...", ...], 1 for dark.  False: too long, or memory is short. */
bool qr_write(const char *what, struct text *out);

#endif
