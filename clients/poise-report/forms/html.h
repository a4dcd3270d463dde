/* Escaping for HTML and the SVG inside it. */
#ifndef POISE_REPORT_HTML_H
#define POISE_REPORT_HTML_H

#include <stdio.h>

/* Text for content and for quoted attributes. */
void html_text(const char *text, FILE *out);

#endif
