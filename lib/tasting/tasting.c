/* Drawing and sealing the key of a blind tasting; see tasting.h.  It stores and shows nothing. */
#include "poise/tasting.h"

#include <errno.h>
#include <sodium.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FIRST_CODE = 100, CODES = 900, MOST_ORDERS = 2 * TASTING_CUPS };

int tasting_cups(enum tasting_method method, int samples)
{
    static const int cups[] = {
        [TASTING_TRIANGLE] = 3, [TASTING_TWO_OF_FIVE] = 5, [TASTING_DUO_TRIO] = 2, [TASTING_PAIRED] = 2
    };

    return method == TASTING_RANKING ? samples : cups[method];
}

int tasting_orders(enum tasting_method method, int samples)
{
    static const int orders[] = {
        [TASTING_TRIANGLE] = 6, [TASTING_TWO_OF_FIVE] = 20, [TASTING_DUO_TRIO] = 4, [TASTING_PAIRED] = 2
    };

    if (method == TASTING_RANKING)
        return samples % 2 == 0 ? samples : 2 * samples;
    return orders[method];
}

/* Number `order` of the twenty ways to serve two of one sample among three of the other. */
static void two_of_five_order(int order, unsigned char *sample)
{
    int pair = 0;

    for (int first = 0; first < 5; first++)
        for (int second = first + 1; second < 5; second++, pair++)
            if (pair == order % 10)
                for (int cup = 0; cup < 5; cup++)
                    sample[cup] = (cup == first || cup == second) == (order < 10);
}

/* Row `order` of a Williams design (E. J. Williams, Australian Journal of Scientific Research A 2,
 * 1949): 0, n-1, 1, n-2, ... shifted by the row; for odd n the same rows mirrored as well. */
static void williams_order(int order, int samples, unsigned char *sample)
{
    bool mirrored = order >= samples;

    for (int place = 0; place < samples; place++) {
        int base = place % 2 == 0 ? place / 2 : samples - 1 - place / 2;

        sample[mirrored ? samples - 1 - place : place] = (unsigned char)((base + order) % samples);
    }
}

static void serve(enum tasting_method method, int samples, int order, struct tasting_set *set)
{
    set->cups = tasting_cups(method, samples);
    set->reference = -1;
    switch (method) {
    case TASTING_TRIANGLE:
        for (int cup = 0; cup < 3; cup++) /* the odd cup's place, and which sample is odd */
            set->sample[cup] = (cup == order / 2) == (order % 2 == 0);
        break;
    case TASTING_TWO_OF_FIVE:
        two_of_five_order(order, set->sample);
        break;
    case TASTING_RANKING:
        williams_order(order, samples, set->sample);
        break;
    default:
        set->sample[0] = (unsigned char)(order % 2);
        set->sample[1] = (unsigned char)(1 - order % 2);
        if (method == TASTING_DUO_TRIO)
            set->reference = order / 2;
        break;
    }
}

/* Fisher-Yates: the first `wanted` of the numbers from `first` on, in random sequence. */
static void shuffle(int *things, int first, int count, int wanted, tasting_random *uniform, void *context)
{
    for (int i = 0; i < count; i++)
        things[i] = first + i;
    for (int i = 0; i < wanted; i++) {
        int other = i + (int)uniform(context, (uint32_t)(count - i)), thing = things[i];

        things[i] = things[other];
        things[other] = thing;
    }
}

int tasting_draw(enum tasting_method method, int samples, int sets, tasting_random *uniform, void *context,
                 struct tasting_set *out, struct why *why)
{
    int codes[CODES], order[MOST_ORDERS], relabel[TASTING_CUPS], orders, cups;

    if (method == TASTING_RANKING ? samples < 3 || samples > TASTING_CUPS : samples != 2)
        return why_set(why, -EINVAL, "a %s compares %s, not %d", tasting_method_name(method),
                       method == TASTING_RANKING ? "3 to 10 samples" : "2 samples", samples);
    orders = tasting_orders(method, samples);
    cups = tasting_cups(method, samples);
    if (sets < 1 || sets > TASTING_SETS || sets * cups > CODES)
        return why_set(why, -EINVAL, "%d sets of %d cups: at least one set, at most %d, since no code may come twice",
                       sets, cups, CODES / cups < TASTING_SETS ? CODES / cups : TASTING_SETS);
    shuffle(codes, FIRST_CODE, CODES, sets * cups, uniform, context);
    /* which sample of a ranking plays which part in the design is drawn too */
    shuffle(relabel, 0, samples, method == TASTING_RANKING ? samples : 0, uniform, context);
    for (int set = 0; set < sets; set++) {
        if (set % orders == 0)
            shuffle(order, 0, orders, orders, uniform, context);
        serve(method, samples, order[set % orders], &out[set]);
        for (int cup = 0; cup < cups; cup++) {
            out[set].sample[cup] = (unsigned char)relabel[out[set].sample[cup]];
            out[set].code[cup] = codes[set * cups + cup];
        }
    }
    return 0;
}

int tasting_right(enum tasting_method method, const struct tasting_set *set)
{
    int second_sample = 0, right = 0, pair = 0;

    for (int cup = 0; cup < set->cups; cup++)
        second_sample += set->sample[cup] == 1;
    switch (method) {
    case TASTING_TRIANGLE:
        while (set->sample[right] != (second_sample == 1))
            right++;
        return right;
    case TASTING_DUO_TRIO:
        return set->sample[0] == set->reference ? 0 : 1;
    case TASTING_TWO_OF_FIVE:
        for (int cup = 0; cup < set->cups; cup++)
            if (set->sample[cup] == (second_sample == 2))
                pair = pair * 10 + cup;
        return pair;
    default:
        return -1;
    }
}

static int cup_of_code(const struct tasting_set *set, int code)
{
    for (int cup = 0; cup < set->cups; cup++)
        if (set->code[cup] == code)
            return cup;
    return -1;
}

int tasting_answer_read(enum tasting_method method, const struct tasting_set *set, const char *text,
                        int place[TASTING_CUPS], struct why *why)
{
    const char *blanks = " ,\t\r\n";
    int found[TASTING_CUPS], wanted = method == TASTING_RANKING ? set->cups : method == TASTING_TWO_OF_FIVE ? 2 : 1;
    int count = 0;

    for (text += strspn(text, blanks); *text; text += strspn(text, blanks)) {
        char *end;
        long code = strtol(text, &end, 10);
        int cup = end == text || code < 1 || code > FIRST_CODE + CODES ? -1 : cup_of_code(set, (int)code);

        if (cup < 0 || (*end && !strchr(blanks, *end)))
            return why_set(why, -EINVAL, "'%.*s' is no code of this set", (int)strcspn(text, blanks), text);
        for (int i = 0; i < count; i++)
            if (found[i] == cup)
                return why_set(why, -EINVAL, "code %d stands there twice", set->code[cup]);
        if (count == wanted)
            return why_set(why, -EINVAL, "more than %d code%s", wanted, wanted == 1 ? "" : "s");
        found[count++] = cup;
        text = end;
    }
    if (count != wanted)
        return why_set(why, -EINVAL, "%d code%s wanted, %d given", wanted, wanted == 1 ? "" : "s", count);
    if (method == TASTING_TWO_OF_FIVE && found[0] > found[1]) {
        int first = found[1];

        found[1] = found[0];
        found[0] = first;
    }
    memcpy(place, found, sizeof *place * (size_t)count);
    return count;
}

bool tasting_answer_right(enum tasting_method method, const struct tasting_set *set, const int *place)
{
    int right = tasting_right(method, set);

    return right >= 0 && right == (method == TASTING_TWO_OF_FIVE ? place[0] * 10 + place[1] : place[0]);
}

/* Appends printf style; false when it does not fit. */
static bool append(char *out, size_t *length, const char *format, ...) __attribute__((format(printf, 3, 4)));

static bool append(char *out, size_t *length, const char *format, ...)
{
    va_list arguments;
    int added;

    va_start(arguments, format);
    added = vsnprintf(out + *length, TASTING_KEY_SIZE - *length, format, arguments);
    va_end(arguments);
    if (added < 0 || (size_t)added >= TASTING_KEY_SIZE - *length)
        return false;
    *length += (size_t)added;
    return true;
}

int tasting_key_write(const char *session, enum tasting_method method, const char *const *sample_names, int samples,
                      const char *salt, const struct tasting_set *sets, int count, char out[TASTING_KEY_SIZE])
{
    size_t length = 0;
    bool fits = append(out, &length, "session %s\nmethod %s\nsalt %s\n", session, tasting_method_name(method), salt);

    for (int sample = 0; sample < samples; sample++)
        fits = fits && append(out, &length, "sample %c %s\n", 'A' + sample, sample_names[sample]);
    for (int set = 0; set < count; set++) {
        fits = fits && append(out, &length, "set %d", set + 1);
        if (sets[set].reference >= 0)
            fits = fits && append(out, &length, " reference=%c", 'A' + sets[set].reference);
        for (int cup = 0; cup < sets[set].cups; cup++)
            fits = fits && append(out, &length, " %d=%c", sets[set].code[cup], 'A' + sets[set].sample[cup]);
        fits = fits && append(out, &length, "\n");
    }
    return fits ? (int)length : -ENOSPC;
}

/* One "CODE=SAMPLE" or "reference=SAMPLE" of a set's line.  Returns the bytes read, 0 when it is neither. */
static int read_cup(const char *text, struct tasting_set *set)
{
    int code, used = 0;
    char sample;

    if (sscanf(text, " reference=%c%n", &sample, &used) == 1 && used > 0 && set->cups == 0 && set->reference < 0
        && (sample == 'A' || sample == 'B')) {
        set->reference = sample - 'A';
        return used;
    }
    used = 0;
    if (sscanf(text, " %3d=%c%n", &code, &sample, &used) != 2 || used == 0 || set->cups == TASTING_CUPS || code < 1
        || sample < 'A' || sample >= 'A' + TASTING_CUPS)
        return 0;
    set->code[set->cups] = code;
    set->sample[set->cups++] = (unsigned char)(sample - 'A');
    return used;
}

int tasting_key_read(const char *key, struct tasting_set *out, int most, struct why *why)
{
    int count = 0;

    for (const char *line = key; line && *line; line = strchr(line, '\n'), line += line != NULL) {
        int number, used = 0;
        const char *rest = line;

        if (sscanf(line, "set %d%n", &number, &used) != 1 || used == 0)
            continue;
        if (number != count + 1 || count == most)
            return why_set(why, -EINVAL, "the key's set %d stands where set %d should be", number, count + 1);
        out[count].cups = 0;
        out[count].reference = -1;
        for (rest += used; *rest && *rest != '\n'; rest += used)
            if ((used = read_cup(rest, &out[count])) == 0)
                return why_set(why, -EINVAL, "set %d of the key cannot be read", number);
        count++;
    }
    return count;
}

void tasting_seal(const char *key, char out[TASTING_SEAL_SIZE])
{
    unsigned char hash[crypto_hash_sha256_BYTES];

    crypto_hash_sha256(hash, (const unsigned char *)key, strlen(key));
    sodium_bin2hex(out, TASTING_SEAL_SIZE, hash, sizeof hash);
}

uint32_t tasting_system_random(void *context, uint32_t limit)
{
    (void)context;
    return randombytes_uniform(limit);
}
