/* Brews as they were told then and as they are told now, side by side. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "replay_parts.h"

static const int64_t SAME_US = 1000;    /* a stage takes back what was told from its time on, within this */

enum { CELL_SIZE = 48, CELL_WIDTH = 24, NAME_WIDTH = 20 };

/* ---- taken in ---- */

struct told *telling_find(const struct telling *telling, const char *brew)
{
    for (int i = telling->count - 1; i >= 0; i--)
        if (strcmp(telling->brews[i].brew, brew) == 0)
            return &telling->brews[i];
    return NULL;
}

struct told *telling_add(struct telling *telling, const char *brew)
{
    struct told *told = telling_find(telling, brew);

    if (told || telling->count == REPLAY_BREWS)
        return told;
    told = &telling->brews[telling->count++];
    snprintf(told->brew, sizeof told->brew, "%s", brew);
    measures_clear(&told->measures);
    return told;
}

static void take_brew(struct telling *telling, const struct message *message)
{
    const struct message_brew *brew = &message->brew;
    struct told *told = brew->change == BREW_BEGIN ? telling_add(telling, brew->brew)
                                                   : telling_find(telling, brew->brew);

    if (!told)
        return;
    snprintf(told->station, sizeof told->station, "%s", brew->station);
    snprintf(told->boot, sizeof told->boot, "%s", message->common.boot);
    if (brew->change == BREW_BEGIN)
        told->began_us = brew->at_us;
    if (brew->change == BREW_END)
        told->ended_us = brew->at_us;
    if (brew->change == BREW_DISCARD) {
        told->discarded = true;
        if (!told->ended_us)
            told->ended_us = brew->at_us;
        snprintf(told->note, sizeof told->note, "%s", brew->note);
    }
}

static void take_stage(struct told *told, const struct message_stage *stage)
{
    while (told->stage_count && told->stage[told->stage_count - 1].at_us >= stage->at_us - SAME_US)
        told->stage_count--;
    if (told->stage_count == REPLAY_STAGES || stage->stage == STAGE_IDLE)
        return;
    told->stage[told->stage_count].stage = stage->stage;
    told->stage[told->stage_count].at_us = stage->at_us;
    told->stage[told->stage_count].u_us = stage->uncertainty_us;
    told->stage[told->stage_count++].by = stage->by;
}

static void take_measure(struct told *told, const struct message_measure *measure)
{
    told->measures.value[measure->measure] = measure->value;
    told->measures.standard_uncertainty[measure->measure] = measure->standard_uncertainty;
    told->above[measure->measure] = measure->above;
}

void telling_take(struct telling *telling, const struct message *message)
{
    struct told *told;

    if (message->kind == MESSAGE_BREW)
        take_brew(telling, message);
    else if (message->kind == MESSAGE_STAGE && (told = telling_find(telling, message->stage.brew)))
        take_stage(told, &message->stage);
    else if (message->kind == MESSAGE_MEASURE && (told = telling_find(telling, message->measure.brew)))
        take_measure(told, &message->measure);
}

/* So long both lasted at the same time; a brew that is not over lasts. */
static int64_t overlap_us(const struct told *a, const struct told *b)
{
    int64_t end_a = a->ended_us ? a->ended_us : INT64_MAX, end_b = b->ended_us ? b->ended_us : INT64_MAX;
    int64_t begin = a->began_us > b->began_us ? a->began_us : b->began_us;
    int64_t end = end_a < end_b ? end_a : end_b;

    return strcmp(a->station, b->station) == 0 && strcmp(a->boot, b->boot) == 0 && end > begin ? end - begin : 0;
}

struct told *telling_match(const struct telling *telling, const struct told *brew)
{
    struct told *best = NULL;
    int64_t most_us = 0;

    for (int i = 0; i < telling->count; i++) {
        int64_t both_us = overlap_us(&telling->brews[i], brew);

        if (both_us > most_us) {
            most_us = both_us;
            best = &telling->brews[i];
        }
    }
    return best;
}

/* ---- printed ---- */

/* Times count from when the brew began. */
static const char *stage_cell(const struct told *told, int place, int64_t zero_us, char out[CELL_SIZE])
{
    snprintf(out, CELL_SIZE, "%.2f s  u %.2f s%s", (double)(told->stage[place].at_us - zero_us) / 1e6,
             (double)told->stage[place].u_us / 1e6, told->stage[place].by == BY_OPERATOR ? "  by hand" : "");
    return out;
}

static const char *measure_cell(const struct told *told, enum measure measure, char out[CELL_SIZE])
{
    double u = told->measures.standard_uncertainty[measure];
    int decimals = measure_decimals(measure), length;

    if (isnan(told->measures.value[measure])) {
        strcpy(out, "-");
        return out;
    }
    length = snprintf(out, CELL_SIZE, "%s%.*f", told->above[measure] ? "above " : "", decimals,
                      told->measures.value[measure]);
    if (!isnan(u))
        snprintf(out + length, CELL_SIZE - (size_t)length, "  u %.*f", decimals + 1, u);
    return out;
}

/* Returns 1 when the two differ. */
static int print_pair(const char *name, const char *then, const char *now)
{
    int differs = strcmp(then, now) != 0;

    printf("%s %-*s  %-*s  %s\n", differs ? "*" : " ", NAME_WIDTH, name, CELL_WIDTH, then, now);
    return differs;
}

/* The longest sequence of stages that both have, so that one that is only in one of them stands alone. */
static int print_stages(const struct told *then, const struct told *now)
{
    int common[REPLAY_STAGES + 1][REPLAY_STAGES + 1] = { { 0 } };
    char cell_then[CELL_SIZE], cell_now[CELL_SIZE];
    int64_t zero_us = then->began_us ? then->began_us : now->began_us;
    int differing = 0, i, j;

    for (i = then->stage_count - 1; i >= 0; i--)
        for (j = now->stage_count - 1; j >= 0; j--) {
            common[i][j] = common[i + 1][j] > common[i][j + 1] ? common[i + 1][j] : common[i][j + 1];
            if (then->stage[i].stage == now->stage[j].stage && common[i + 1][j + 1] + 1 > common[i][j])
                common[i][j] = common[i + 1][j + 1] + 1;
        }
    for (i = j = 0; i < then->stage_count || j < now->stage_count;) {
        bool only_then = j == now->stage_count, only_now = i == then->stage_count;

        if (!only_then && !only_now && then->stage[i].stage != now->stage[j].stage) {
            only_then = common[i + 1][j] >= common[i][j + 1];
            only_now = !only_then;
        }
        differing += print_pair(stage_name(only_now ? now->stage[j].stage : then->stage[i].stage),
                                only_now ? "-" : stage_cell(then, i, zero_us, cell_then),
                                only_then ? "-" : stage_cell(now, j, zero_us, cell_now));
        i += !only_now;
        j += !only_then;
    }
    return differing;
}

/* Not inline: gcc 12 would compare the words with each other while it compiles, and call that a mistake. */
static const char *__attribute__((noinline)) end_cell(const struct told *told)
{
    return told->discarded ? "discarded" : told->ended_us ? "over" : "not over";
}

static void print_head(const struct told *told, int64_t first_us)
{
    printf("%s on %s%s", told->brew, told->station,
           told->discarded ? ", discarded" : told->ended_us ? "" : ", not over");
    if (told->began_us)
        printf(", begun %.2f s after the first reading", (double)(told->began_us - first_us) / 1e6);
    putchar('\n');
}

static void print_both(const struct told *then, const struct told *now, int64_t first_us)
{
    char cell_then[CELL_SIZE], cell_now[CELL_SIZE];
    int differing = 0;

    print_head(then, first_us);
    printf("  %-*s  %-*s  %s\n", NAME_WIDTH, "", CELL_WIDTH, "told then", "told now");
    differing += print_stages(then, now);
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (!isnan(then->measures.value[i]) || !isnan(now->measures.value[i]))
            differing += print_pair(measure_name((enum measure)i), measure_cell(then, (enum measure)i, cell_then),
                                    measure_cell(now, (enum measure)i, cell_now));
    if (strcmp(end_cell(then), end_cell(now)) != 0)
        differing += print_pair("", end_cell(then), end_cell(now));
    if (differing)
        printf("  %d line%s with * differ%s\n", differing, differing == 1 ? "" : "s", differing == 1 ? "s" : "");
    else
        printf("  nothing differs\n");
}

static void print_alone(const struct told *told, int64_t first_us)
{
    char cell[CELL_SIZE];

    print_head(told, first_us);
    if (told->discarded && told->note[0])
        printf("  %s\n", told->note);
    for (int i = 0; i < told->stage_count; i++)
        printf("  %-*s  %s\n", NAME_WIDTH, stage_name(told->stage[i].stage), stage_cell(told, i, told->began_us, cell));
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (!isnan(told->measures.value[i]))
            printf("  %-*s  %s\n", NAME_WIDTH, measure_name((enum measure)i),
                   measure_cell(told, (enum measure)i, cell));
}

void telling_print(const struct telling *then, const struct telling *now, const char *only, int64_t first_us)
{
    bool matched[REPLAY_BREWS] = { false };

    for (int i = 0; i < then->count; i++) {
        const struct told *told = &then->brews[i], *match = telling_match(now, told);

        if (match && !matched[match - now->brews])
            matched[match - now->brews] = true;
        else
            match = NULL;
        if (only && strcmp(told->brew, only) != 0)
            continue;
        if (match) {
            print_both(told, match, first_us);
        } else {
            printf("* told then, no brew now: ");
            print_alone(told, first_us);
        }
    }
    for (int i = 0; i < now->count; i++) {
        const struct told *told = &now->brews[i];

        if (matched[i] || (only && !telling_match(then, told)))
            continue;
        if (then->count)
            printf("* no brew then, told now: ");
        print_alone(told, first_us);
    }
    if (now->count == 0 && then->count == 0)
        puts("no brew in it");
}
