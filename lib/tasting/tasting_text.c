/* A tasting as one text, written and read; see tasting_text.h.  No files, no keys. */
#include "poise/tasting_text.h"

#include <ctype.h>
#include <errno.h>
#include <sodium.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/clock.h"

int tasting_counted(const struct tasting_session *session)
{
    int counted = 0;

    for (int set = 0; set < session->sets; set++)
        counted += !session->of[set].warm_up;
    return counted;
}

/* ---- the rule ---- */

static const char *const test_words[TASTING_METHOD_COUNT] = {
    [TASTING_TRIANGLE] = "right answers against luck, exact binomial with chance 1/3",
    [TASTING_TWO_OF_FIVE] = "right answers against luck, exact binomial with chance 1/10",
    [TASTING_DUO_TRIO] = "right answers against luck, exact binomial with chance 1/2",
    [TASTING_TETRAD] = "right answers against luck, exact binomial with chance 1/3",
    [TASTING_DIRECTIONAL] = "choices against an even split, exact binomial",
    [TASTING_PREFERENCE] = "choices against an even split, exact, two-sided; of several tasters each is one vote by "
                           "their own surplus, signs turned at random",
    [TASTING_RANKING] = "Friedman's test, exact or by 20000 random orders; of several tasters each is one ranking by "
                        "their mean ranks",
    [TASTING_DEGREE] = "how much further the sample is rated from the control than the control itself, signs turned at "
                       "random set by set, exact, one-sided",
};

void tasting_rule(struct tasting_session *session)
{
    char *out = session->rule;
    size_t size = sizeof session->rule, length;

    length = (size_t)snprintf(out, size, "After %u sets: a difference when p <= %g (%s%s).", session->planned,
                              session->alpha, test_words[session->method],
                              session->method != TASTING_DIRECTIONAL ? ""
                              : session->expected >= 0               ? ", one-sided"
                                                                     : ", two-sided");
    if (tasting_method_has_right(session->method))
        length += (size_t)snprintf(out + length, size - length,
                                   " The same when so few right answers were less likely than %g if %g of the tasters "
                                   "could distinguish the cups.",
                                   session->beta, session->limit);
    length += (size_t)snprintf(out + length, size - length, " %s",
                               session->may_look
                                   ? "Looks before the end are paid for by an O'Brien-Fleming spending function."
                                   : "No look before the end.");
    snprintf(
        out + length, size - length,
        " Samples take their parts by a biased coin (Efron 1971), places are drawn fairly, freak draws again: no order can be "
        "inferred.");
}

/* ---- writing ---- */

struct writer {
    char *out;
    size_t length;
    bool full;
};

static void put(struct writer *writer, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void put(struct writer *writer, const char *format, ...)
{
    va_list arguments;
    int added;

    if (writer->full)
        return;
    va_start(arguments, format);
    added = vsnprintf(writer->out + writer->length, TASTING_TEXT_SIZE - writer->length, format, arguments);
    va_end(arguments);
    writer->full = added < 0 || (size_t)added >= TASTING_TEXT_SIZE - writer->length;
    writer->length += writer->full ? 0 : (size_t)added;
}

static void put_optional(struct writer *writer, const char *key, const char *text)
{
    if (*text)
        put(writer, "%s %s\n", key, text);
}

static void put_open(struct writer *writer, const struct tasting_session *session)
{
    char made[32];

    clock_format_utc(session->made_us, made);
    strcpy(strchr(made, '.'), "Z"); /* whole seconds, as clock_read has them */
    put(writer, "poise tasting 2\nname %s\nmade %s\nquestion %s\n", session->name, made, session->question);
    put_optional(writer, "experiment", session->experiment);
    put(writer, "method %s\n", tasting_method_name(session->method));
    put_optional(writer, "attribute", session->attribute);
    if (session->expected >= 0)
        put(writer, "expect %c\n", 'A' + session->expected);
    for (int i = 0; i < session->sample_count; i++) {
        put(writer, "sample %c %s\n", 'A' + i, session->sample[i].label);
        if (*session->sample[i].level)
            put(writer, "level %c %s\n", 'A' + i, session->sample[i].level);
        if (*session->sample[i].brews)
            put(writer, "brews %c %s\n", 'A' + i, session->sample[i].brews);
    }
    for (int i = 0; i < session->taster_count; i++)
        put(writer, "taster %d %s\n", i + 1, session->taster[i]);
    put(writer, "served %s\nby-eye %s\nlooks %s\nplanned %u\n", session->alone ? "alone" : "helper",
        session->seen ? "yes" : "no", session->may_look ? "spending" : "none", session->planned);
    put(writer, "alpha %g\npower %g\nshare %g\nlimit %g\nbeta %g\n", session->alpha, session->power, session->share,
        session->limit, session->beta);
    put_optional(writer, "offered", session->offered);
    put(writer, "rest %d\ncup-ml %d\nswallow %s\n", session->rest_s, session->cup_ml, session->swallow ? "yes" : "no");
    put_optional(writer, "before", session->before);
    put_optional(writer, "rule", session->rule);
    for (int i = 0; i < session->sets; i++) {
        put(writer, "set %d taster %d%s codes", i + 1, session->of[i].taster + 1,
            session->of[i].warm_up ? " warm-up" : "");
        for (int cup = 0; cup < session->set[i].cups; cup++)
            put(writer, " %d", session->set[i].code[cup]);
        put(writer, "\n");
    }
}

static void put_secret(struct writer *writer, const struct tasting_session *session)
{
    put(writer, "salt %s\nchain %s\n", session->salt, session->chain);
    for (int i = 0; i < session->sets && !session->alone; i++) {
        put(writer, "cups %d ", i + 1);
        for (int cup = 0; cup < session->set[i].cups; cup++)
            put(writer, "%c", 'A' + session->set[i].sample[cup]);
        if (session->set[i].reference >= 0)
            put(writer, " reference %c", 'A' + session->set[i].reference);
        put(writer, "\n");
    }
}

int tasting_text_write(const struct tasting_session *session, bool sealed, char out[TASTING_TEXT_SIZE])
{
    struct writer writer = { out, 0, false };

    put_open(&writer, session);
    if (sealed)
        put_secret(&writer, session);
    return writer.full ? -ENOSPC : (int)writer.length;
}

/* ---- reading ---- */

/* Everything is read loosely, and the whole then held against what would be written of it: so nothing else passes. */

static void take(char *out, size_t size, const char *text)
{
    snprintf(out, size, "%s", text);
}

static bool take_letter(const char *text, int limit, int *out)
{
    *out = text[0] - 'A';
    return *out >= 0 && *out < limit && (text[1] == '\0' || text[1] == ' ');
}

static bool read_sample(struct tasting_session *out, const char *key, const char *text)
{
    int sample;

    if (!take_letter(text, TASTING_CUPS, &sample) || text[1] != ' ')
        return false;
    if (strcmp(key, "sample") == 0) {
        if (sample != out->sample_count)
            return false;
        take(out->sample[out->sample_count++].label, TASTING_LABEL_SIZE, text + 2);
    } else if (sample >= out->sample_count)
        return false;
    else if (strcmp(key, "level") == 0)
        take(out->sample[sample].level, TASTING_LEVEL_SIZE, text + 2);
    else
        take(out->sample[sample].brews, TASTING_BREWS_SIZE, text + 2);
    return true;
}

static bool read_taster(struct tasting_session *out, const char *text)
{
    char *end;
    long number = strtol(text, &end, 10);

    if (number != out->taster_count + 1 || number > TASTING_TASTERS || *end != ' ')
        return false;
    take(out->taster[out->taster_count++], TASTING_NAME_SIZE, end + 1);
    return true;
}

static bool read_set(struct tasting_session *out, const char *text)
{
    int number, taster, used = 0;
    struct tasting_set *set = &out->set[out->sets];

    if (sscanf(text, "%d taster %d%n", &number, &taster, &used) != 2 || number != out->sets + 1 || number > TASTING_SETS
        || taster < 1 || taster > out->taster_count)
        return false;
    out->of[out->sets].taster = taster - 1;
    out->of[out->sets].warm_up = strncmp(text + used, " warm-up", 8) == 0;
    used += out->of[out->sets].warm_up ? 8 : 0;
    if (strncmp(text + used, " codes", 6) != 0)
        return false;
    text += used + 6;
    for (set->cups = 0; *text && set->cups < TASTING_CUPS; set->cups++) {
        char *end;
        long code = strtol(text, &end, 10);

        if (end == text || code < 1 || code > 999)
            return false;
        set->code[set->cups] = (int)code;
        text = end;
    }
    set->reference = out->method == TASTING_DEGREE ? 0 : -1;
    out->sets++;
    return set->cups == tasting_cups(out->method, out->sample_count);
}

static bool read_cups(struct tasting_session *out, const char *text)
{
    int number, used = 0, cup = 0, reference;
    struct tasting_set *set;

    if (sscanf(text, "%d %n", &number, &used) != 1 || used == 0 || number < 1 || number > out->sets)
        return false;
    set = &out->set[number - 1];
    for (text += used; *text && *text != ' '; text++, cup++) {
        if (cup == set->cups || *text < 'A' || *text >= 'A' + out->sample_count)
            return false;
        set->sample[cup] = (unsigned char)(*text - 'A');
    }
    set->reference = -1;
    if (strncmp(text, " reference ", 11) == 0 && take_letter(text + 11, out->sample_count, &reference))
        set->reference = reference;
    return cup == set->cups && tasting_set_possible(out->method, out->sample_count, set);
}

static bool read_number(struct tasting_session *out, const char *key, const char *text)
{
    const struct {
        const char *key;
        double *into;
    } numbers[] = { { "alpha", &out->alpha },
                    { "power", &out->power },
                    { "share", &out->share },
                    { "limit", &out->limit },
                    { "beta", &out->beta } };
    char *end;

    for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++)
        if (strcmp(key, numbers[i].key) == 0) {
            *numbers[i].into = strtod(text, &end);
            return end != text && *numbers[i].into > 0 && *numbers[i].into < 1;
        }
    if (strcmp(key, "planned") == 0) {
        out->planned = (unsigned)strtoul(text, NULL, 10);
        return out->planned > 0 && out->planned <= 100000;
    }
    if (strcmp(key, "rest") == 0)
        out->rest_s = atoi(text);
    else if (strcmp(key, "cup-ml") == 0)
        out->cup_ml = atoi(text);
    else
        return false;
    return true;
}

static bool read_words(struct tasting_session *out, const char *key, const char *text)
{
    const struct {
        const char *key;
        char *into;
        size_t size;
    } words[] = { { "name", out->name, sizeof out->name },
                  { "question", out->question, sizeof out->question },
                  { "experiment", out->experiment, sizeof out->experiment },
                  { "attribute", out->attribute, sizeof out->attribute },
                  { "offered", out->offered, sizeof out->offered },
                  { "before", out->before, sizeof out->before },
                  { "rule", out->rule, sizeof out->rule },
                  { "salt", out->salt, sizeof out->salt },
                  { "chain", out->chain, sizeof out->chain } };

    for (size_t i = 0; i < sizeof words / sizeof *words; i++)
        if (strcmp(key, words[i].key) == 0) {
            take(words[i].into, words[i].size, text);
            return true;
        }
    return false;
}

static bool read_line(struct tasting_session *out, const char *key, const char *text)
{
    int method;

    if (strcmp(key, "poise") == 0)
        return strcmp(text, "tasting 2") == 0;
    if (strcmp(key, "made") == 0)
        return clock_read(text, &out->made_us) == 0;
    if (strcmp(key, "method") == 0) {
        method = tasting_method_find(text);
        out->method = method < 0 ? TASTING_TRIANGLE : (enum tasting_method)method;
        return method >= 0;
    }
    if (strcmp(key, "expect") == 0)
        return take_letter(text, TASTING_CUPS, &out->expected);
    if (strcmp(key, "sample") == 0 || strcmp(key, "level") == 0 || strcmp(key, "brews") == 0)
        return read_sample(out, key, text);
    if (strcmp(key, "taster") == 0)
        return read_taster(out, text);
    if (strcmp(key, "set") == 0)
        return read_set(out, text);
    if (strcmp(key, "cups") == 0) {
        out->open = true;
        return read_cups(out, text);
    }
    if (strcmp(key, "served") == 0)
        out->alone = strcmp(text, "alone") == 0;
    else if (strcmp(key, "by-eye") == 0)
        out->seen = strcmp(text, "yes") == 0;
    else if (strcmp(key, "looks") == 0)
        out->may_look = strcmp(text, "spending") == 0;
    else if (strcmp(key, "swallow") == 0)
        out->swallow = strcmp(text, "yes") == 0;
    else
        return read_number(out, key, text) || read_words(out, key, text);
    return true;
}

int tasting_text_read(const char *text, struct tasting_session *out, struct why *why)
{
    char line[TASTING_RULE_SIZE + 64], *again = malloc(TASTING_TEXT_SIZE);
    bool sealed;
    int number = 1, error = 0;

    if (!again)
        return why_set(why, -ENOMEM, "not enough memory");
    memset(out, 0, sizeof *out);
    out->expected = -1;
    for (const char *rest = text; *rest && !error; number++) {
        size_t length = strcspn(rest, "\n");
        char *blank;

        snprintf(line, sizeof line, "%.*s", (int)(length < sizeof line ? length : sizeof line - 1), rest);
        blank = strchr(line, ' ');
        if (blank)
            *blank = '\0';
        if (!blank || length >= sizeof line || rest[length] != '\n' || !read_line(out, line, blank + 1))
            error = why_set(why, -EINVAL, "line %d of the tasting's text cannot be read: '%.60s%s%.60s'", number, line,
                            blank ? " " : "", blank ? blank + 1 : "");
        else
            rest += length + 1;
    }
    sealed = *out->salt != '\0';
    if (!error && (tasting_text_write(out, sealed, again) < 0 || strcmp(again, text) != 0))
        error = why_set(why, -EINVAL, "the tasting's text cannot be read: it has lines or forms that no tasting has");
    free(again);
    return error;
}

bool tasting_text_differs(const char *stored, const char *sealed, char *out, size_t size)
{
    while (*stored && *sealed) {
        int one = (int)strcspn(stored, "\n"), other = (int)strcspn(sealed, "\n");

        if (one != other || strncmp(stored, sealed, (size_t)one) != 0) {
            snprintf(out, size, "the store has '%.*s', the sealed text '%.*s'", one < 100 ? one : 100, stored,
                     other < 100 ? other : 100, sealed);
            return true;
        }
        stored += one + (stored[one] == '\n');
        sealed += other + (sealed[other] == '\n');
    }
    return false;
}

/* ---- hashes ---- */

void tasting_seal(const char *text, char out[TASTING_SEAL_SIZE])
{
    unsigned char hash[crypto_hash_sha256_BYTES];

    crypto_hash_sha256(hash, (const unsigned char *)text, strlen(text));
    sodium_bin2hex(out, TASTING_SEAL_SIZE, hash, sizeof hash);
}

char *tasting_short(const char *seal, char out[TASTING_SHORT_SIZE])
{
    snprintf(out, TASTING_SHORT_SIZE, "%.4s %.4s %.4s %.4s", seal, seal + 4, seal + 8, seal + 12);
    return out;
}

bool tasting_noted(const char *noted, const char *seal)
{
    enum { LEAST = 16 };
    size_t digits = 0;

    for (; *noted; noted++) {
        if (isspace((unsigned char)*noted) || *noted == '-')
            continue;
        if (digits == TASTING_SEAL_SIZE - 1 || tolower((unsigned char)*noted) != seal[digits])
            return false;
        digits++;
    }
    return digits >= LEAST;
}
