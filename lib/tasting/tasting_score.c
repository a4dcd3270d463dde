/* Counting answers; see tasting_score.h. */
#include "poise/tasting_score.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

void tasting_score_begin(struct tasting_score *score, enum tasting_method method, int samples)
{
    memset(score, 0, sizeof *score);
    score->method = method;
    score->samples = samples;
}

/* The taster's place in the list; -1: too many. */
static int find_taster(struct tasting_score *score, const char *name)
{
    size_t i = 0;

    while (i < score->tasters && strcmp(score->taster[i].name, name) != 0)
        i++;
    if (i == SCORE_TASTERS)
        return -1;
    if (i == score->tasters)
        snprintf(score->taster[score->tasters++].name, sizeof score->taster[i].name, "%s", name);
    return (int)i;
}

static bool is_hit(const struct tasting_score *score, const struct tasting_set *set, const int *place)
{
    if (score->method == TASTING_DIRECTIONAL || score->method == TASTING_PREFERENCE)
        return set->sample[place[0]] == 1;
    return tasting_answer_right(score->method, set, place);
}

int tasting_score_add(struct tasting_score *score, const struct tasting_set *set, const int *place, bool sure,
                      const char *taster)
{
    int who = find_taster(score, taster);
    bool by_rows = score->method == TASTING_RANKING || score->method == TASTING_DEGREE;
    bool hit = is_hit(score, set, place);

    if (who < 0 || (by_rows && score->rows == SCORE_ANSWERS))
        return -ENOSPC;
    score->answered++;
    score->hits += hit;
    score->sure += sure;
    score->sure_right += sure && hit;
    if (score->method != TASTING_DEGREE)
        score->chosen[place[0]]++;
    if (by_rows) {
        score->of[score->rows] = (unsigned char)who;
        for (int i = 0; i < set->cups; i++)
            if (score->method == TASTING_RANKING)
                score->row[score->rows][set->sample[place[i]]] = (unsigned char)(i + 1);
            else
                score->row[score->rows][set->sample[i]] = (unsigned char)place[i];
        score->rows++;
    }
    score->taster[who].answered++;
    score->taster[who].hits += hit;
    return 0;
}

void tasting_score_looked(struct tasting_score *score)
{
    if (score->looks > 0 && score->look[score->looks - 1] == score->answered)
        return; /* nothing new was to be seen */
    if (score->looks < SCORE_LOOKS)
        score->look[score->looks++] = score->answered;
    else
        score->look[SCORE_LOOKS - 1] = score->answered;
}
