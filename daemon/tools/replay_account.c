/* Brews as they were reported then and as they are reported now, side by side. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "replay_parts.h"

enum { CELL_SIZE = 48, CELL_WIDTH = 24, NAME_WIDTH = 20 };

/* ---- taken in ---- */

struct reported *account_find(const struct account *account, const char *brew)
{
    for (int i = account->count - 1; i >= 0; i--)
        if (strcmp(account->brews[i].brew, brew) == 0)
            return &account->brews[i];
    return NULL;
}

struct reported *account_add(struct account *account, const char *brew)
{
    struct reported *reported = account_find(account, brew);

    if (reported || account->count == REPLAY_BREWS)
        return reported;
    reported = &account->brews[account->count++];
    snprintf(reported->brew, sizeof reported->brew, "%s", brew);
    measures_clear(&reported->measures);
    return reported;
}

static void take_brew(struct account *account, const struct message *message)
{
    const struct message_brew *brew = &message->brew;
    struct reported *reported =
        brew->change == BREW_BEGIN ? account_add(account, brew->brew) : account_find(account, brew->brew);

    if (!reported)
        return;
    snprintf(reported->station, sizeof reported->station, "%s", brew->station);
    snprintf(reported->boot, sizeof reported->boot, "%s", message->common.boot);
    if (brew->change == BREW_BEGIN)
        reported->began_us = brew->at_us;
    if (brew->change == BREW_END)
        reported->ended_us = brew->at_us;
    if (brew->change == BREW_DISCARD) {
        reported->discarded = true;
        if (!reported->ended_us)
            reported->ended_us = brew->at_us;
        snprintf(reported->note, sizeof reported->note, "%s", brew->note);
    }
}

static void take_stage(struct reported *reported, const struct message_stage *stage)
{
    timeline_report(&reported->timeline,
                    &(struct staged){ stage->stage, stage->at_us, stage->uncertainty_us, stage->by });
}

static void take_measure(struct reported *reported, const struct message_measure *measure)
{
    reported->measures.value[measure->measure] = measure->value;
    reported->measures.standard_uncertainty[measure->measure] = measure->standard_uncertainty;
    reported->above[measure->measure] = measure->above;
}

void account_take(struct account *account, const struct message *message)
{
    struct reported *reported;

    if (message->kind == MESSAGE_BREW)
        take_brew(account, message);
    else if (message->kind == MESSAGE_STAGE && (reported = account_find(account, message->stage.brew)))
        take_stage(reported, &message->stage);
    else if (message->kind == MESSAGE_MEASURE && (reported = account_find(account, message->measure.brew)))
        take_measure(reported, &message->measure);
}

/* So long both lasted at the same time; a brew that is not over lasts. */
static int64_t overlap_us(const struct reported *a, const struct reported *b)
{
    int64_t end_a = a->ended_us ? a->ended_us : INT64_MAX, end_b = b->ended_us ? b->ended_us : INT64_MAX;
    int64_t begin = a->began_us > b->began_us ? a->began_us : b->began_us;
    int64_t end = end_a < end_b ? end_a : end_b;

    return strcmp(a->station, b->station) == 0 && strcmp(a->boot, b->boot) == 0 && end > begin ? end - begin : 0;
}

struct reported *account_match(const struct account *account, const struct reported *brew)
{
    struct reported *best = NULL;
    int64_t most_us = 0;

    for (int i = 0; i < account->count; i++) {
        int64_t both_us = overlap_us(&account->brews[i], brew);

        if (both_us > most_us) {
            most_us = both_us;
            best = &account->brews[i];
        }
    }
    return best;
}

/* ---- printed ---- */

/* Times count from when the brew began. */
static const char *stage_cell(const struct reported *reported, int place, int64_t zero_us, char out[CELL_SIZE])
{
    snprintf(out, CELL_SIZE, "%.2f s  u %.2f s%s", (double)(reported->timeline.stage[place].at_us - zero_us) / 1e6,
             (double)reported->timeline.stage[place].u_us / 1e6,
             reported->timeline.stage[place].by == BY_OPERATOR ? "  by hand" : "");
    return out;
}

static const char *measure_cell(const struct reported *reported, enum measure measure, char out[CELL_SIZE])
{
    double u = reported->measures.standard_uncertainty[measure];
    int decimals = measure_decimals(measure), length;

    if (isnan(reported->measures.value[measure])) {
        strcpy(out, "-");
        return out;
    }
    length = snprintf(out, CELL_SIZE, "%s%.*f", reported->above[measure] ? "above " : "", decimals,
                      reported->measures.value[measure]);
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
static int print_stages(const struct reported *then, const struct reported *now)
{
    int common[TIMELINE_STAGES + 1][TIMELINE_STAGES + 1] = { { 0 } };
    char cell_then[CELL_SIZE], cell_now[CELL_SIZE];
    int64_t zero_us = then->began_us ? then->began_us : now->began_us;
    int differing = 0, i, j;

    for (i = then->timeline.count - 1; i >= 0; i--)
        for (j = now->timeline.count - 1; j >= 0; j--) {
            common[i][j] = common[i + 1][j] > common[i][j + 1] ? common[i + 1][j] : common[i][j + 1];
            if (then->timeline.stage[i].stage == now->timeline.stage[j].stage
                && common[i + 1][j + 1] + 1 > common[i][j])
                common[i][j] = common[i + 1][j + 1] + 1;
        }
    for (i = j = 0; i < then->timeline.count || j < now->timeline.count;) {
        bool only_then = j == now->timeline.count, only_now = i == then->timeline.count;

        if (!only_then && !only_now && then->timeline.stage[i].stage != now->timeline.stage[j].stage) {
            only_then = common[i + 1][j] >= common[i][j + 1];
            only_now = !only_then;
        }
        differing += print_pair(stage_name(only_now ? now->timeline.stage[j].stage : then->timeline.stage[i].stage),
                                only_now ? "-" : stage_cell(then, i, zero_us, cell_then),
                                only_then ? "-" : stage_cell(now, j, zero_us, cell_now));
        i += !only_now;
        j += !only_then;
    }
    return differing;
}

/* Not inline: gcc 12 would compare the words with each other while it compiles, and call that a mistake. */
static const char *__attribute__((noinline)) end_cell(const struct reported *reported)
{
    return reported->discarded ? "discarded" : reported->ended_us ? "over" : "not over";
}

static void print_head(const struct reported *reported, int64_t first_us)
{
    printf("%s on %s%s", reported->brew, reported->station,
           reported->discarded  ? ", discarded"
           : reported->ended_us ? ""
                                : ", not over");
    if (reported->began_us)
        printf(", begun %.2f s after the first reading", (double)(reported->began_us - first_us) / 1e6);
    putchar('\n');
}

static void print_both(const struct reported *then, const struct reported *now, int64_t first_us)
{
    char cell_then[CELL_SIZE], cell_now[CELL_SIZE];
    int differing = 0;

    print_head(then, first_us);
    printf("  %-*s  %-*s  %s\n", NAME_WIDTH, "", CELL_WIDTH, "reported then", "reported now");
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

static void print_alone(const struct reported *reported, int64_t first_us)
{
    char cell[CELL_SIZE];

    print_head(reported, first_us);
    if (reported->discarded && reported->note[0])
        printf("  %s\n", reported->note);
    for (int i = 0; i < reported->timeline.count; i++)
        printf("  %-*s  %s\n", NAME_WIDTH, stage_name(reported->timeline.stage[i].stage),
               stage_cell(reported, i, reported->began_us, cell));
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (!isnan(reported->measures.value[i]))
            printf("  %-*s  %s\n", NAME_WIDTH, measure_name((enum measure)i),
                   measure_cell(reported, (enum measure)i, cell));
}

void account_print(const struct account *then, const struct account *now, const char *only, int64_t first_us)
{
    bool matched[REPLAY_BREWS] = { false };

    for (int i = 0; i < then->count; i++) {
        const struct reported *reported = &then->brews[i], *match = account_match(now, reported);

        if (match && !matched[match - now->brews])
            matched[match - now->brews] = true;
        else
            match = NULL;
        if (only && strcmp(reported->brew, only) != 0)
            continue;
        if (match) {
            print_both(reported, match, first_us);
        } else {
            printf("* reported then, no brew now: ");
            print_alone(reported, first_us);
        }
    }
    for (int i = 0; i < now->count; i++) {
        const struct reported *reported = &now->brews[i];

        if (matched[i] || (only && !account_match(then, reported)))
            continue;
        if (then->count)
            printf("* no brew then, reported now: ");
        print_alone(reported, first_us);
    }
    if (now->count == 0 && then->count == 0)
        puts("no brew in it");
}
