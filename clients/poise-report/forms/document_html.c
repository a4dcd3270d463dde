/* A document as one self-contained page: nothing is loaded from anywhere, light and dark follow the
 * reader's setting, and it prints.  All text is escaped here and nowhere else. */
#include "document.h"

#include <string.h>

#include "html.h"

void html_text(const char *text, FILE *out)
{
    for (; *text; text++)
        switch (*text) {
        case '<':
            fputs("&lt;", out);
            break;
        case '>':
            fputs("&gt;", out);
            break;
        case '&':
            fputs("&amp;", out);
            break;
        case '"':
            fputs("&quot;", out);
            break;
        case '\'':
            fputs("&#39;", out);
            break;
        default:
            /* controls are not allowed in XML, which the pictures are */
            fputc((unsigned char)*text < 0x20 || *text == 0x7f ? ' ' : *text, out);
        }
}

static const char style[] =
    ":root{--paper:#fdfcf9;--ink:#22252a;--faint:#6b7078;--line:#d9d6cf;--wash:#f2efe8;"
    "--s0:#0b6e8a;--s1:#c2571a;--s2:#4f7d2f;--s3:#8a3f86;--s4:#9a7400;--s5:#3d56b0}"
    "@media(prefers-color-scheme:dark){:root{--paper:#16191d;--ink:#e6e4df;--faint:#9aa0a8;--line:#3a3f46;"
    "--wash:#20242a;--s0:#5cc0dc;--s1:#f0935a;--s2:#9ccb74;--s3:#d594d1;--s4:#d9b44a;--s5:#8fa6f2}}"
    "*{box-sizing:border-box}"
    "body{margin:0 auto;max-width:62rem;padding:1.5rem 1.1rem 4rem;background:var(--paper);color:var(--ink);"
    "font:1rem/1.55 system-ui,sans-serif;overflow-wrap:break-word}"
    "h1{font-size:1.45rem;line-height:1.3;margin:.3rem 0 1rem;text-wrap:balance}"
    "h2{font-size:1.05rem;margin:2.2rem 0 .6rem}"
    "p{max-width:44rem}ul{padding-left:1.2rem;max-width:44rem}"
    ".caution{border-left:.25rem solid var(--s1);padding:.1rem 0 .1rem .8rem;margin:.5rem 0;max-width:44rem}"
    ".wide{overflow-x:auto}table{border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:.94rem}"
    "th,td{padding:.3rem .9rem .3rem 0;text-align:left;border-bottom:1px solid var(--line);white-space:nowrap}"
    "th{color:var(--faint);font-weight:600;vertical-align:bottom}th.n,td.n{text-align:right}"
    /* titles and text cells wrap so that the numbers stay in sight */
    "th,td:not(.n):not(.k){white-space:normal}td:not(.n):not(.k){overflow-wrap:break-word}.wide+.wide{margin-top:.9rem}"
    "@media(max-width:64rem){table{font-size:.85rem}th,td{padding-right:.55rem}}"
    "@media(max-width:56rem){table{font-size:.8rem}th,td{padding-right:.4rem}}"
    "figure{margin:1.2rem 0;padding:.6rem;background:var(--wash);border-radius:.5rem}"
    "svg{display:block;width:100%;height:auto;font-size:13px}"
    /* a phone halves pictures, not words, and has each row of a wide table below the other, every cell with its title
     */
    "@media(max-width:36rem){svg{font-size:20px}.many,.many tbody,.many tr{display:block}.many tr:first-child{display:none}"
    ".many tr{border-bottom:1px solid var(--line);padding:.4rem 0}.many td:empty{display:none}"
    ".many td{display:flex;justify-content:space-between;border:0;padding:.1rem 0;white-space:normal!important;"
    "text-align:right;overflow-wrap:anywhere}"
    ".many td::before{content:attr(data-title);color:var(--faint);text-align:left;padding-right:1rem;flex:none}}"
    "footer{margin-top:3rem;color:var(--faint);font-size:.85rem}"
    "@media print{:root{--paper:#fff;--ink:#000;--wash:#fff;--faint:#444;--line:#bbb;"
    "--s0:#0b6e8a;--s1:#c2571a;--s2:#4f7d2f;--s3:#8a3f86;--s4:#9a7400;--s5:#3d56b0}"
    "body{max-width:none;padding:0;font-size:10.5pt}.wide{overflow:visible}table{font-size:8.5pt}figure,table,.caution{break-inside:avoid}h2{break-after:avoid}}";

enum {
    SHORT_CELL = 10,     /* letters that even a phone has room for */
    COLUMNS_OF_PHONE = 3 /* more are put below each other there */
};

static void table(const struct block *block, FILE *out)
{
    size_t columns = (size_t)block->columns, rows = columns ? block->cell_count / columns : 0;

    bool many = columns > COLUMNS_OF_PHONE;

    fprintf(out, "<div class=\"wide\"><table%s>\n", many ? " class=\"many\"" : "");
    for (size_t row = 0; row < rows; row++) {
        const char *tag = row ? "td" : "th";

        fputs("<tr>", out);
        for (size_t column = 0; column < columns; column++) {
            const char *cell = block->cell[row * columns + column];
            /* an interval is not broken between its ends, nor a number from its unit */
            bool interval = strstr(cell, " to ") && strchr("-0123456789", cell[0]);
            bool kept = interval || strlen(cell) <= SHORT_CELL;
            const char *kind = block->is_number[column] ? " class=\"n\"" : kept ? " class=\"k\"" : "";

            fprintf(out, "<%s%s", tag, row ? kind : block->is_number[column] ? " class=\"n\"" : "");
            if (row && many) {
                fputs(" data-title=\"", out);
                html_text(block->cell[column], out);
                fputc('"', out);
            }
            fputc('>', out);
            html_text(cell, out);
            fprintf(out, "</%s>", tag);
        }
        fputs("</tr>\n", out);
    }
    fputs("</table></div>\n", out);
}

static void tagged(const char *open, const char *text, const char *close, FILE *out)
{
    fputs(open, out);
    html_text(text ? text : "", out);
    fputs(close, out);
}

void document_html(const struct document *document, const char *title, FILE *out)
{
    tagged("<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
           "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
           "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
           "<meta name=\"color-scheme\" content=\"light dark\">\n<title>",
           title, "</title>\n", out);
    fprintf(out, "<style>%s</style>\n</head>\n<body>\n<main>\n", style);
    for (size_t i = 0; i < document->count; i++) {
        const struct block *block = &document->block[i];
        bool first = i == 0 || document->block[i - 1].kind != BLOCK_ITEM;
        bool last = i + 1 == document->count || document->block[i + 1].kind != BLOCK_ITEM;

        switch (block->kind) {
        case BLOCK_HEADLINE:
            tagged("<h1>", block->text, "</h1>\n", out);
            break;
        case BLOCK_HEADING:
            tagged("<h2>", block->text, "</h2>\n", out);
            break;
        case BLOCK_TEXT:
            tagged("<p>", block->text, "</p>\n", out);
            break;
        case BLOCK_ITEM:
            fputs(first ? "<ul>\n" : "", out);
            tagged("<li>", block->text, "</li>\n", out);
            fputs(last ? "</ul>\n" : "", out);
            break;
        case BLOCK_CAUTION:
            tagged("<p class=\"caution\">", block->text, "</p>\n", out);
            break;
        case BLOCK_TABLE:
            table(block, out);
            break;
        case BLOCK_CHART:
            fputs("<figure>\n", out);
            chart_svg(block->chart, out);
            fputs("</figure>\n", out);
            break;
        }
    }
    fputs("</main>\n<footer>Made by poise-report from the bench's own record. Intervals are 95 % unless stated "
          "otherwise.</footer>\n"
          "</body>\n</html>\n",
          out);
}
