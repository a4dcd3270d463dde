/* QR codes; see qr.h. */
#include "qr.h"

#include <qrencode.h>

bool qr_write(const char *what, struct text *out)
{
    QRcode *code = QRcode_encodeString8bit(what, 0, QR_ECLEVEL_M);

    if (!code)
        return false;
    text_print(out, "[");
    for (int row = 0; row < code->width; row++) {
        text_print(out, row ? ",\"" : "\"");
        for (int column = 0; column < code->width; column++)
            text_print(out, "%d", code->data[row * code->width + column] & 1);
        text_print(out, "\"");
    }
    text_print(out, "]");
    QRcode_free(code);
    return !out->failed;
}
