/* Holds what the tracker said against the truth of the model.  Only what could be seen is asked for:
 * a dose that was added on the scale, a beverage whose cup was seen empty or is a known one. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "corpus.h"

static const double STAGE_S = 0.5, PRESS_S = 0.3; /* how near a begin must be */
static const double DOSE_G = 0.1, WATER_G = 0.3, BEVERAGE_G = 0.3, DRIP_G = 0.3;
static const double SHARE = 0.99; /* of stages, masses and brews; one out of nothing is too many */

static const enum stage stage_of[MODEL_STAGE_COUNT] = {
    [MODEL_STAGE_DOSE] = STAGE_DOSE,   [MODEL_STAGE_BLOOM] = STAGE_BLOOM, [MODEL_STAGE_POUR] = STAGE_POUR,
    [MODEL_STAGE_STEEP] = STAGE_STEEP, [MODEL_STAGE_STIR] = STAGE_STIR,   [MODEL_STAGE_SETTLE] = STAGE_SETTLE,
    [MODEL_STAGE_PRESS] = STAGE_PRESS, [MODEL_STAGE_WEIGH] = STAGE_WEIGH, [MODEL_STAGE_STRENGTH] = STAGE_STRENGTH,
};

/* The brew that was reported for a true one: the one that began nearest to its first water, before its end. */
static int reported_for(const struct model_truth *truth, int brew, const struct corpus_account *said, const bool *taken)
{
    double first_s = truth->brew[brew].first_water_s, nearest_s = 60;
    int best = -1;

    for (int i = 0; i < said->brew_count; i++) {
        const struct corpus_reported *reported = &said->brew[i];
        double water_s = reported->began_s, distance_s;

        for (int j = 0; j < reported->stage_count; j++)
            if (reported->stage[j].stage == STAGE_BLOOM || reported->stage[j].stage == STAGE_POUR) {
                water_s = reported->stage[j].at_s;
                break;
            }
        distance_s = fabs(water_s - first_s);
        if (!taken[i] && distance_s < nearest_s) {
            nearest_s = distance_s;
            best = i;
        }
    }
    return best;
}

static void confuse(const struct model_truth *truth, int brew, const struct corpus_reported *reported,
                    struct corpus_score *score)
{
    double from_s = NAN, to_s = NAN;

    for (int i = 0; i < truth->mark_count; i++)
        if (truth->mark[i].brew == brew) {
            from_s = isnan(from_s) ? truth->mark[i].at_s : from_s;
            to_s = truth->mark[i].at_s + 2;
        }
    for (double at_s = from_s; at_s < to_s; at_s += 0.05) {
        int truly = MODEL_STAGE_COUNT;
        enum stage said = STAGE_IDLE;

        for (int i = 0; i < truth->mark_count; i++)
            if (truth->mark[i].brew == brew && truth->mark[i].at_s <= at_s)
                truly = (int)truth->mark[i].stage;
        for (int i = 0; reported && i < reported->stage_count; i++)
            if (reported->stage[i].at_s <= at_s)
                said = reported->stage[i].stage;
        score->confusion_s[truly][said] += 0.05;
    }
}

/* A pinch more coffee begins no new stage. */
static bool again(const struct model_truth *truth, int mark)
{
    return mark > 0 && truth->mark[mark].brew == truth->mark[mark - 1].brew
           && truth->mark[mark].stage == truth->mark[mark - 1].stage;
}

static int judge_stages(const struct model_truth *truth, int brew, const struct corpus_reported *reported,
                        struct corpus_score *score, bool show)
{
    bool used[CORPUS_STAGES] = { false };
    int wrong = 0;

    for (int i = 0; i < truth->mark_count; i++) {
        const struct model_mark *mark = &truth->mark[i];
        double within_s = mark->stage == MODEL_STAGE_PRESS ? PRESS_S : STAGE_S, off_s = NAN;
        int best = -1;

        if (mark->brew != brew || again(truth, i))
            continue;
        for (int j = 0; reported && j < reported->stage_count; j++)
            if (!used[j] && reported->stage[j].stage == stage_of[mark->stage]
                && (best < 0
                    || fabs(reported->stage[j].at_s - mark->at_s) < fabs(reported->stage[best].at_s - mark->at_s)))
                best = j;
        if (best >= 0)
            off_s = reported->stage[best].at_s - mark->at_s;
        score->stages++;
        score->stage_count[mark->stage]++;
        if (best >= 0 && fabs(off_s) < 3) {
            score->late_s[mark->stage] += off_s;
            score->late2_s[mark->stage] += off_s * off_s;
            score->late_count[mark->stage]++;
            score->claims++;
            score->claims_held += fabs(off_s) <= 2 * reported->stage[best].u_s;
        }
        if (best >= 0 && fabs(off_s) <= within_s) {
            used[best] = true;
            score->hits++;
            score->stage_hits[mark->stage]++;
            continue;
        }
        wrong++;
        if (best >= 0 && fabs(off_s) < 3) {
            used[best] = true;
            score->wrong_time++;
        } else
            score->missing++;
        if (show)
            printf("  brew %d: %s at %.2f s, reported %+.2f s\n", brew + 1, model_stage_name(mark->stage), mark->at_s,
                   off_s);
    }
    for (int j = 0; reported && j < reported->stage_count; j++)
        if (!used[j]) {
            score->extra++;
            wrong++;
            if (show)
                printf("  brew %d: reported %s at %.2f s, which was none\n", brew + 1,
                       stage_name(reported->stage[j].stage), reported->stage[j].at_s);
        }
    return wrong;
}

/* Whether the truth is within twice the uncertainty that was reported with a mass. */
static void judge_claim(const struct corpus_reported *reported, enum measure measure, double truly,
                        struct corpus_score *score)
{
    if (!reported || isnan(reported->measure[measure]))
        return;
    score->mass_claims++;
    score->mass_claims_held += fabs(reported->measure[measure] - truly) <= 2 * reported->u[measure];
}

static int judge_measure(const char *name, double truly, double reported, double within, long *count, long *hits,
                         int brew, bool show)
{
    ++*count;
    if (fabs(reported - truly) <= within) {
        ++*hits;
        return 0;
    }
    if (show)
        printf("  brew %d: %s is %.2f, reported %.2f\n", brew + 1, name, truly, reported);
    return 1;
}

/* No other known cup is so near in mass that a cup which was never seen empty might as well be that one: what
 * coffee holds back, and where a press stops, leaves the beverage open by some 40 g. */
static bool is_alone(const struct model_script *script, int brew)
{
    for (int i = 0; i < script->brew_count; i++)
        if (i != brew && fabs(script->brew[i].cup_g - script->brew[brew].cup_g) < 40)
            return false;
    return true;
}

static int judge_brew(const struct model_script *script, const struct model_truth *truth, int brew,
                      const struct corpus_bench *bench, const struct corpus_reported *reported,
                      struct corpus_score *score, bool show)
{
    const struct model_brew_truth *truly = &truth->brew[brew];
    int wrong = judge_stages(truth, brew, reported, score, show);

    if (truly->dose_seen)
        judge_claim(reported, MEASURE_DOSE_G, truly->dose_g, score);
    judge_claim(reported, MEASURE_WATER_G, truly->water_g, score);
    if (truly->weighed)
        judge_claim(reported, MEASURE_BEVERAGE_G, truly->beverage_g, score);
    if (truly->dose_seen)
        wrong += judge_measure("dose", truly->dose_g, reported ? reported->measure[MEASURE_DOSE_G] : NAN, DOSE_G,
                               &score->doses, &score->dose_hits, brew, show);
    wrong += judge_measure("water", truly->water_g, reported ? reported->measure[MEASURE_WATER_G] : NAN, WATER_G,
                           &score->waters, &score->water_hits, brew, show);
    if (truly->drip_seen && truly->drip_g > 0 && !truly->abandoned) /* what is not reported is reported to be nothing */
        wrong +=
            judge_measure("drip", truly->drip_g,
                          reported && !isnan(reported->measure[MEASURE_DRIP_G]) ? reported->measure[MEASURE_DRIP_G] : 0,
                          DRIP_G, &score->drips, &score->drip_hits, brew, show);
    if (truly->weighed && (truly->cup_seen_empty || (bench->cups_known && is_alone(script, brew))))
        wrong += judge_measure("beverage", truly->beverage_g, reported ? reported->measure[MEASURE_BEVERAGE_G] : NAN,
                               BEVERAGE_G, &score->beverages, &score->beverage_hits, brew, show);
    return wrong;
}

int corpus_judge(const struct model_script *script, const struct model_truth *truth, const struct corpus_bench *bench,
                 const struct corpus_account *said, struct corpus_score *score, bool show)
{
    bool taken[CORPUS_BREWS] = { false };
    int wrong = 0;

    for (int brew = 0; brew < truth->brew_count; brew++) {
        const struct corpus_reported *reported = NULL;
        int found;

        if (isnan(truth->brew[brew].first_water_s))
            continue;
        found = reported_for(truth, brew, said, taken);
        if (found >= 0) {
            taken[found] = true;
            reported = &said->brew[found];
        }
        score->brews++;
        score->brews_found += reported != NULL;
        if (!reported && show)
            printf("  brew %d was not seen\n", brew + 1);
        if (truth->brew[brew].abandoned) {
            score->abandoned++;
            if (reported && isnan(reported->ended_s))
                score->abandoned_seen++;
            else {
                wrong++;
                if (show)
                    printf("  brew %d was abandoned, reported as whole\n", brew + 1);
            }
        } else if (reported && reported->discarded) {
            wrong++;
            score->brews_found--;
            if (show)
                printf("  brew %d was discarded\n", brew + 1);
        }
        wrong += judge_brew(script, truth, brew, bench, reported, score, show);
        confuse(truth, brew, reported, score);
    }
    for (int i = 0; i < said->brew_count; i++)
        if (!taken[i]) {
            score->brews_extra++;
            wrong++;
            if (show)
                printf("  a brew was reported at %.1f s, which was none\n", said->brew[i].began_s);
        }
    return wrong;
}

static double share(long part, long whole)
{
    return whole ? 100.0 * (double)part / (double)whole : 100;
}

double corpus_stage_share(const struct corpus_score *score)
{
    return share(score->hits, score->stages + score->extra);
}

bool corpus_reached(const struct corpus_score *score)
{
    return score->hits >= SHARE * (double)(score->stages + score->extra)
           && score->dose_hits >= SHARE * (double)score->doses && score->water_hits >= SHARE * (double)score->waters
           && score->beverage_hits >= SHARE * (double)score->beverages
           && score->drip_hits >= SHARE * (double)score->drips && score->brews_found >= SHARE * (double)score->brews
           && score->brews_extra == 0;
}

bool corpus_holds(const struct corpus_score *score, double least_pct)
{
    return corpus_stage_share(score) >= least_pct && share(score->dose_hits, score->doses) >= least_pct
           && share(score->water_hits, score->waters) >= least_pct
           && share(score->beverage_hits, score->beverages) >= least_pct
           && share(score->drip_hits, score->drips) >= least_pct && score->brews_extra == 0;
}

void corpus_print(const char *title, const struct corpus_score *score)
{
    printf("%-28s %5ld brews, %ld found, %ld out of nothing; abandoned %ld of %ld\n", title, score->brews,
           score->brews_found, score->brews_extra, score->abandoned_seen, score->abandoned);
    printf("    stages  %7.2f %%  of %ld (%ld missing, %ld at a wrong time, %ld reported that were none)\n",
           share(score->hits, score->stages + score->extra), score->stages, score->missing, score->wrong_time,
           score->extra);
    printf("    dose    %7.2f %%  of %ld within %.1f g\n", share(score->dose_hits, score->doses), score->doses, DOSE_G);
    printf("    water   %7.2f %%  of %ld within %.1f g\n", share(score->water_hits, score->waters), score->waters,
           WATER_G);
    printf("    beverage%7.2f %%  of %ld within %.1f g\n", share(score->beverage_hits, score->beverages),
           score->beverages, BEVERAGE_G);
    printf("    stated uncertainties: %.1f %% of begins and %.1f %% of masses within two of them\n",
           share(score->claims_held, score->claims), share(score->mass_claims_held, score->mass_claims));
    if (score->drips)
        printf("    drip    %7.2f %%  of %ld within %.1f g\n", share(score->drip_hits, score->drips), score->drips,
               DRIP_G);
}

void corpus_print_confusion(const struct corpus_score *score)
{
    static const enum stage reported[] = { STAGE_IDLE, STAGE_DOSE,   STAGE_BLOOM, STAGE_POUR,  STAGE_STEEP,
                                           STAGE_STIR, STAGE_SETTLE, STAGE_PRESS, STAGE_WEIGH, STAGE_STRENGTH };

    printf("\nseconds of each stage (rows: truth) reported as (columns), then begins: share within,"
           " mean and spread of reported - true\n%10s",
           "");
    for (size_t i = 0; i < sizeof reported / sizeof *reported; i++)
        printf(" %9s", stage_name(reported[i]));
    printf("\n");
    for (int truly = 0; truly < MODEL_STAGE_COUNT; truly++) {
        double n = (double)score->late_count[truly], mean_s = score->late_s[truly] / n;

        printf("%10s", model_stage_name((enum model_stage)truly));
        for (size_t i = 0; i < sizeof reported / sizeof *reported; i++)
            printf(" %9.0f", score->confusion_s[truly][reported[i]]);
        printf("   %6.2f %% %+.3f s %.3f s\n", share(score->stage_hits[truly], score->stage_count[truly]), mean_s,
               sqrt(fmax(0, score->late2_s[truly] / n - mean_s * mean_s)));
    }
}
