/* The segments that are settled: a list with little room, where what matters least goes first. */
#include "settled.h"

#include <math.h>
#include <string.h>

/* What goes first where there is no room: a tail beside its movement, a blow that lasts no longer. */
static const double ROOM_TAIL_SHARE = 0.05, BLOW_MOST_S = 1.1;

static void shift(struct segment *segment, float grams)
{
    segment->first_g += grams;
    segment->last_g += grams;
    segment->low_g += grams;
    segment->high_g += grams;
    segment->peak_g += grams;
    if (segment->kind != KIND_REST)
        segment->sum_gs += grams * segment->sum_s;
}

void segments_shift(struct segments *segments, double grams)
{
    for (int i = 0; i < segments->count; i++)
        shift(&segments->list[i], (float)grams);
    shift(&segments->carry, (float)grams);
    segments->level_g += grams;
}

void segments_forget(struct segments *segments, int count)
{
    segments->count -= count;
    memmove(segments->list, segments->list + count, (size_t)segments->count * sizeof *segments->list);
}

/* Two movements, or a movement within a rest, become one. */
static void absorb(struct segment *into, const struct segment *next)
{
    into->end_us = next->end_us;
    into->last_g = next->last_g;
    into->last_u_g = next->last_u_g;
    if (next->kind == KIND_REST) {
        if (into->kind == KIND_REST)
            into->last_slope = next->last_slope;
        return;
    }
    into->low_g = fminf(into->low_g, next->low_g);
    into->high_g = fmaxf(into->high_g, next->high_g);
    into->peak_g = fmaxf(into->peak_g, next->peak_g);
    into->sum_gs += next->sum_gs;
    into->sum_s += next->sum_s;
    into->path_g += next->path_g;
    into->active_s += next->active_s;
    into->overload |= next->overload;
    into->kind = KIND_BUSY;
}

static double range_of(const struct segment *segment)
{
    return (double)(segment->high_g - segment->low_g);
}

/* Makes room in what was read: first tails go, then blows, then parts of one movement, then the oldest. */
static int make_room(struct segment *read, int count)
{
    for (int i = 1; i + 1 < count; i++)
        if (read[i].kind != KIND_REST && read[i].kind != KIND_FLOW && read[i + 1].kind != KIND_REST
            && read[i + 1].kind != KIND_BLIND && range_of(&read[i + 1]) < ROOM_TAIL_SHARE * range_of(&read[i])) {
            int64_t end_us = read[i].end_us;
            unsigned char kind = read[i].kind;

            absorb(&read[i], &read[i + 1]);
            read[i].end_us = end_us;
            read[i].kind = kind;
            memmove(&read[i + 1], &read[i + 2], (size_t)(count - i - 2) * sizeof *read);
            return count - 1;
        }
    for (int i = 1; i + 1 < count; i++)
        if (read[i].kind != KIND_REST && read[i].kind != KIND_FLOW && read[i - 1].kind == KIND_REST
            && read[i + 1].kind == KIND_REST && seconds(read[i].begin_us, read[i].end_us) < BLOW_MOST_S
            && fabs((double)(read[i + 1].first_g - read[i - 1].last_g)) < 1) {
            absorb(&read[i - 1], &read[i + 1]);
            memmove(&read[i], &read[i + 2], (size_t)(count - i - 2) * sizeof *read);
            return count - 2;
        }
    for (int i = 1; i + 1 < count; i++)
        if ((read[i].kind == KIND_JUMP || read[i].kind == KIND_BUSY)
            && (read[i + 1].kind == KIND_JUMP || read[i + 1].kind == KIND_BUSY)) {
            absorb(&read[i], &read[i + 1]);
            memmove(&read[i + 1], &read[i + 2], (size_t)(count - i - 2) * sizeof *read);
            return count - 1;
        }
    memmove(read, read + 1, (size_t)(count - 1) * sizeof *read);
    return count - 1;
}

/* Takes what was read for settled. */
void settled_take(struct segments *segments, struct segment *read, int count)
{
    while (count > SEGMENTS)
        count = make_room(read, count);
    segments->count = count;
    memcpy(segments->list, read, (size_t)count * sizeof *read);
}
