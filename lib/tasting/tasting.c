/* Drawing the cups of a blind tasting and reading answers; see tasting.h.  It stores and shows nothing. */
#include "poise/tasting.h"

#include <errno.h>
#include <math.h>
#include <sodium.h>
#include <stdlib.h>
#include <string.h>

enum { FIRST_CODE = 100, CODES = 900, MOST_ORDERS = 2 * TASTING_CUPS };

int tasting_cups(enum tasting_method method, int samples)
{
    static const int cups[TASTING_METHOD_COUNT] = {
        [TASTING_TRIANGLE] = 3,    [TASTING_TWO_OF_FIVE] = 5, [TASTING_DUO_TRIO] = 2, [TASTING_TETRAD] = 4,
        [TASTING_DIRECTIONAL] = 2, [TASTING_PREFERENCE] = 2,  [TASTING_DEGREE] = 2
    };

    return method == TASTING_RANKING ? samples : cups[method];
}

int tasting_orders(enum tasting_method method, int samples)
{
    static const int orders[TASTING_METHOD_COUNT] = {
        [TASTING_TRIANGLE] = 6,    [TASTING_TWO_OF_FIVE] = 20, [TASTING_DUO_TRIO] = 4, [TASTING_TETRAD] = 6,
        [TASTING_DIRECTIONAL] = 2, [TASTING_PREFERENCE] = 2,   [TASTING_DEGREE] = 2
    };

    if (method == TASTING_RANKING)
        return samples % 2 == 0 ? samples : 2 * samples;
    return orders[method];
}

/* Two cups of `cups` hold the one sample, the rest the other; `pair` numbers the two. */
static void pair_order(int pair, int cups, int inside, unsigned char *sample)
{
    for (int first = 0, number = 0; first < cups; first++)
        for (int second = first + 1; second < cups; second++, number++)
            if (number == pair)
                for (int cup = 0; cup < cups; cup++)
                    sample[cup] = (unsigned char)((cup == first || cup == second) ? inside : 1 - inside);
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

/* Places that a right answer, or the first of a pair, may have; 1 for a ranking, whose rows are balanced instead. */
static int places(enum tasting_method method)
{
    static const int count[TASTING_METHOD_COUNT] = {
        [TASTING_TRIANGLE] = 3,    [TASTING_TWO_OF_FIVE] = 10, [TASTING_DUO_TRIO] = 2, [TASTING_TETRAD] = 3,
        [TASTING_DIRECTIONAL] = 2, [TASTING_PREFERENCE] = 2,   [TASTING_RANKING] = 1,  [TASTING_DEGREE] = 2
    };

    return count[method];
}

/* The cups of a set: where the right answer is, and which of the samples plays which part. */
static void serve(enum tasting_method method, int samples, int place, int part, struct tasting_set *set)
{
    set->cups = tasting_cups(method, samples);
    set->reference = -1;
    switch (method) {
    case TASTING_TRIANGLE:
        for (int cup = 0; cup < 3; cup++)
            set->sample[cup] = (unsigned char)(cup == place ? part : 1 - part);
        break;
    case TASTING_TWO_OF_FIVE:
        pair_order(place, 5, part, set->sample);
        break;
    case TASTING_TETRAD:
        pair_order(place, 4, part, set->sample); /* the first three pairs are those with the leftmost cup */
        break;
    case TASTING_RANKING:
        williams_order(part, samples, set->sample);
        break;
    case TASTING_DUO_TRIO:
        set->reference = part;
        set->sample[place] = (unsigned char)part;
        set->sample[1 - place] = (unsigned char)(1 - part);
        break;
    default:
        set->sample[0] = (unsigned char)place;
        set->sample[1] = (unsigned char)(1 - place);
        set->reference = method == TASTING_DEGREE ? 0 : -1; /* the control */
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

/* The coin of Efron and Smith: an order that is k ahead of the rarest has 2^-k of its chance.  Beyond MOST_AHEAD
 * the chance stays above nothing. */
static int next_order(int *count, int orders, tasting_random *uniform, void *context)
{
    enum { MOST_AHEAD = 16 };
    uint32_t weight[MOST_ORDERS], total = 0, drawn;
    int least = count[0], order = 0;

    for (int i = 1; i < orders; i++)
        least = count[i] < least ? count[i] : least;
    for (int i = 0; i < orders; i++) {
        int ahead = count[i] - least;

        weight[i] = 1u << (MOST_AHEAD - (ahead < MOST_AHEAD ? ahead : MOST_AHEAD));
        total += weight[i];
    }
    for (drawn = uniform(context, total); drawn >= weight[order]; order++)
        drawn -= weight[order];
    count[order]++;
    return order;
}

/* Fair and independent places; nine times in ten drawn again when one comes much oftener than its share. */
static void draw_places(int *place, int sets, int count, tasting_random *uniform, void *context)
{
    const double far = 2.5; /* standard deviations: at 2, taking the places in turn would pass for skill too often */
    double share = 1.0 / count, most = fmax(1, sets * share + far * sqrt(sets * share * (1 - share)));
    bool freak;

    do {
        int times[TASTING_CUPS] = { 0 };

        freak = false;
        for (int set = 0; set < sets; set++) {
            place[set] = (int)uniform(context, (uint32_t)count);
            freak |= ++times[place[set]] > most && count > 1;
        }
    } while (freak && uniform(context, 10) > 0);
}

int tasting_draw(enum tasting_method method, int samples, int sets, tasting_random *uniform, void *context,
                 struct tasting_set *out, struct why *why)
{
    int codes[CODES], count[MOST_ORDERS] = { 0 }, relabel[TASTING_CUPS], place[TASTING_SETS], cups, parts;

    if (method == TASTING_RANKING ? samples < 3 || samples > TASTING_CUPS : samples != 2)
        return why_set(why, -EINVAL, "the %s method compares %s, not %d", tasting_method_name(method),
                       method == TASTING_RANKING ? "3 to 10 samples" : "2 samples", samples);
    cups = tasting_cups(method, samples);
    if (sets < 1 || sets > TASTING_SETS || sets * cups > CODES)
        return why_set(why, -EINVAL, "%d sets of %d cups: at least one set, at most %d, since no code may come twice",
                       sets, cups, CODES / cups < TASTING_SETS ? CODES / cups : TASTING_SETS);
    shuffle(codes, FIRST_CODE, CODES, sets * cups, uniform, context);
    /* which sample of a ranking plays which part in the design is drawn too */
    shuffle(relabel, 0, samples, method == TASTING_RANKING ? samples : 0, uniform, context);
    parts = tasting_orders(method, samples) / places(method);
    draw_places(place, sets, places(method), uniform, context);
    for (int set = 0; set < sets; set++) {
        serve(method, samples, place[set], next_order(count, parts, uniform, context), &out[set]);
        for (int cup = 0; cup < cups; cup++) {
            out[set].sample[cup] = (unsigned char)relabel[out[set].sample[cup]];
            out[set].code[cup] = codes[set * cups + cup];
        }
    }
    return 0;
}

bool tasting_set_possible(enum tasting_method method, int samples, const struct tasting_set *set)
{
    int of[TASTING_CUPS] = { 0 };

    if (set->cups != tasting_cups(method, samples))
        return false;
    for (int cup = 0; cup < set->cups; cup++) {
        if (set->sample[cup] >= samples)
            return false;
        of[set->sample[cup]]++;
    }
    for (int sample = 0; sample < samples; sample++)
        if (of[sample] == 0)
            return false;
    if (method == TASTING_TWO_OF_FIVE && of[0] != 2 && of[0] != 3)
        return false;
    if (method == TASTING_TETRAD && of[0] != 2)
        return false;
    if (method == TASTING_DUO_TRIO)
        return set->reference == 0 || set->reference == 1;
    return set->reference == (method == TASTING_DEGREE ? 0 : -1);
}

/* How many cups an answer names. */
static int cups_named(enum tasting_method method, int cups)
{
    switch (method) {
    case TASTING_TWO_OF_FIVE:
    case TASTING_TETRAD:
        return 2;
    case TASTING_RANKING:
    case TASTING_DEGREE:
        return cups;
    default:
        return 1;
    }
}

static int cup_of(const struct tasting_set *set, long number)
{
    for (int cup = 0; cup < set->cups; cup++)
        if (set->code[cup] == number || cup + 1 == number)
            return cup;
    return -1;
}

/* A cup by code or place, or a rating; -1: neither. */
static int read_one(enum tasting_method method, const struct tasting_set *set, const char *text, char **end)
{
    long number = strtol(text, end, 10);

    if (*end == text || *text == '+' || *text == '-')
        return -1;
    if (method == TASTING_DEGREE)
        return number <= TASTING_RATING ? (int)number : -1;
    return cup_of(set, number);
}

/* The two alike, ascending; of a tetrad's two pairs that with the leftmost cup. */
static void put_pair(enum tasting_method method, int *found)
{
    int first = found[0] < found[1] ? found[0] : found[1], second = found[0] + found[1] - first;

    if (method == TASTING_TETRAD && first != 0) { /* the other pair: of 1, 2, 3 the one that is not named */
        second = 6 - first - second;
        first = 0;
    }
    found[0] = first;
    found[1] = second;
}

int tasting_answer_read(enum tasting_method method, const struct tasting_set *set, const char *text,
                        int place[TASTING_CUPS], struct why *why)
{
    const char *blanks = " ,\t\r\n";
    int found[TASTING_CUPS], wanted = cups_named(method, set->cups), count = 0;
    const char *what = method == TASTING_DEGREE ? "rating" : "cup";

    for (text += strspn(text, blanks); *text; text += strspn(text, blanks)) {
        char *end;
        int one = read_one(method, set, text, &end);

        if (one < 0 || (*end && !strchr(blanks, *end)))
            return why_set(why, -EINVAL,
                           method == TASTING_DEGREE ? "'%.*s' is no rating from 0 to 10"
                                                    : "'%.*s' is neither a code nor a place of this set",
                           (int)strcspn(text, blanks), text);
        for (int i = 0; i < count && method != TASTING_DEGREE; i++)
            if (found[i] == one)
                return why_set(why, -EINVAL, "cup %d is named twice", set->code[one]);
        if (count == wanted)
            return why_set(why, -EINVAL, "more than %d %s%s", wanted, what, wanted == 1 ? "" : "s");
        found[count++] = one;
        text = end;
    }
    if (count != wanted)
        return why_set(why, -EINVAL, "%d %s%s wanted, %d given", wanted, what, wanted == 1 ? "" : "s", count);
    if (method == TASTING_TWO_OF_FIVE || method == TASTING_TETRAD)
        put_pair(method, found);
    memcpy(place, found, sizeof *place * (size_t)count);
    return count;
}

bool tasting_answer_right(enum tasting_method method, const struct tasting_set *set, const int *place)
{
    int of_second = 0;

    for (int cup = 0; cup < set->cups; cup++)
        of_second += set->sample[cup] == 1;
    switch (method) {
    case TASTING_TRIANGLE:
        return (set->sample[place[0]] == 1) == (of_second == 1);
    case TASTING_DUO_TRIO:
        return set->sample[place[0]] == set->reference;
    case TASTING_TWO_OF_FIVE:
        return place[0] != place[1] && (set->sample[place[0]] == 1) == (of_second == 2)
               && (set->sample[place[1]] == 1) == (of_second == 2);
    case TASTING_TETRAD:
        return place[0] != place[1] && set->sample[place[0]] == set->sample[place[1]];
    default:
        return false;
    }
}

uint32_t tasting_system_random(void *context, uint32_t limit)
{
    (void)context;
    return randombytes_uniform(limit);
}
