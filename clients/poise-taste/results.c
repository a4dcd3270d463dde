/* poise-taste results and list: what revealed sessions show, those of one question together. */
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/clock.h"
#include "poise/discrimination.h"
#include "poise/program.h"
#include "taste.h"

/* Sessions of the same question, method and samples, scored as one. */
struct group {
    struct tasting_session first;
    struct tasting_score score;
    int sessions, seen, peeked;
};

struct groups {
    struct store *store;
    const struct options *options;
    struct group *group;
    size_t count;
    int error;
    struct why *why;
};

static void print_dprime(const struct tasting_score *score)
{
    double proportion = (double)score->right / score->answered;
    struct tasting_interval interval = proportion_interval(score->right, score->answered, 0.95);
    double dprime = tasting_dprime(score->method, proportion);

    printf("  estimated share who can tell: %.0f %% (95 %%: %.0f to %.0f)",
           100 * tasting_share(score->method, proportion), 100 * tasting_share(score->method, interval.low),
           100 * tasting_share(score->method, interval.high));
    if (isinf(dprime))
        printf("; d' beyond measure (all right)");
    else if (!isnan(dprime))
        printf("; d' %.2f", dprime);
    puts("");
}

static void print_places(const struct tasting_score *score)
{
    int cups = tasting_cups(score->method, score->samples);

    printf("  named by place, from the left:");
    for (int cup = 0; cup < cups; cup++)
        printf(" %u", score->chosen[cup]);
    for (int cup = 0; cup < cups; cup++) /* exact binomial for the most favoured place, for all places at once */
        if (score->answered >= 6
            && (double)cups * proportion_tail(score->chosen[cup], score->answered, 1.0 / cups) < 0.05)
            printf(" (place %d is favoured: did it stand out?)", cup + 1);
    puts("");
}

static void print_tasters(const struct tasting_score *score)
{
    if (score->tasters == 1 && score->answered > 1)
        printf("  one taster, %u times: this describes %s, not people\n", score->answered, score->taster[0].name);
    for (size_t i = 0; i < score->tasters && score->tasters > 1; i++)
        printf("  %s: %u of %u right\n", score->taster[i].name, score->taster[i].right, score->taster[i].answered);
}

void taste_print_score(const struct tasting_score *score, const struct tasting_session *session)
{
    const char *sample[TASTING_CUPS];
    char sentence[SCORE_SENTENCE];
    struct ranking_result ranking;

    for (int i = 0; i < session->sample_count; i++)
        sample[i] = session->sample[i];
    printf("%s\n", tasting_score_sentence(score, sample, sentence));
    if (session->seen)
        puts("  Not blind: the cups could be distinguished by eye.");
    if (session->peeks)
        puts("  The key was opened before all answers were in: this stays on record.");
    if (score->answered == 0)
        return;
    if (score->method == TASTING_RANKING) {
        if (ranking_test(score->rank, score->rankings, (size_t)score->samples, &ranking) == 0)
            printf("  Friedman chi-square %.2f, p %.3g; Page's L %.0f for the order as named, p %.3g\n",
                   ranking.chi_square, ranking.p, ranking.page_l, ranking.page_p);
        return;
    }
    if (score->method != TASTING_PAIRED) {
        print_dprime(score);
        printf("  said to be sure %u, of them right %u; said to be a guess %u, of them right %u\n", score->sure,
               score->sure_right, score->answered - score->sure, score->right - score->sure_right);
        print_tasters(score);
    }
    print_places(score);
}

static bool same_question(const struct tasting_session *a, const struct tasting_session *b)
{
    bool same = a->method == b->method && a->sample_count == b->sample_count && strcmp(a->question, b->question) == 0;

    for (int i = 0; same && i < a->sample_count; i++)
        same = strcmp(a->sample[i], b->sample[i]) == 0;
    return same;
}

static struct group *find_group(struct groups *groups, const struct tasting_session *session)
{
    struct group *more;

    for (size_t i = 0; i < groups->count; i++)
        if (same_question(&groups->group[i].first, session))
            return &groups->group[i];
    more = realloc(groups->group, (groups->count + 1) * sizeof *more);
    if (!more)
        return NULL;
    groups->group = more;
    more = &groups->group[groups->count++];
    memset(more, 0, sizeof *more);
    more->first = *session;
    tasting_score_begin(&more->score, session->method, session->sample_count);
    return more;
}

static int gather(const struct tasting_session *session, void *context)
{
    struct groups *groups = context;
    struct group *group;

    if (session->revealed_us == 0)
        return 0;
    if (groups->options->name && strcmp(groups->options->name, session->name) != 0)
        return 0;
    if (groups->options->question && strcmp(groups->options->question, session->question) != 0)
        return 0;
    group = find_group(groups, session);
    if (!group)
        groups->error = why_set(groups->why, -1, "not enough memory");
    else if ((groups->error = store_tasting_score(groups->store, session, &group->score, groups->why)) == 0) {
        group->sessions++;
        group->seen += session->seen;
        group->peeked += session->peeks > 0;
        group->first.seen |= session->seen;
        group->first.peeks += session->peeks;
    }
    return groups->error;
}

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *group_json(const struct group *group)
{
    const struct tasting_score *score = &group->score;
    const char *sample[TASTING_CUPS];
    char sentence[SCORE_SENTENCE];
    double share = score->answered ? (double)score->right / score->answered : (double)NAN;
    struct tasting_interval interval = proportion_interval(score->right, score->answered, 0.95);
    bool over;
    json_t *samples = json_array();

    for (int i = 0; i < group->first.sample_count; i++) {
        sample[i] = group->first.sample[i];
        json_array_append_new(samples, json_string(sample[i]));
    }
    return json_pack("{s:s, s:s, s:s, s:o, s:i, s:b, s:i, s:i, s:i, s:i, s:i, s:o, s:o, s:o, s:o, s:o, s:s}",
                     "question", group->first.question, "method", tasting_method_name(score->method), "experiment",
                     group->first.experiment, "samples", samples, "sessions", group->sessions, "blind", !group->seen,
                     "peeked", group->peeked, "answered", (int)score->answered, "right", (int)score->right, "sure",
                     (int)score->sure, "sure_right", (int)score->sure_right, "p", number(tasting_score_p(score, &over)),
                     "proportion", number(share), "proportion_low", number(interval.low), "proportion_high",
                     number(interval.high), "dprime", number(tasting_dprime(score->method, share)), "sentence",
                     tasting_score_sentence(score, sample, sentence));
}

static void print_group(const struct group *group)
{
    printf("%s (%s, %d session%s)\n", group->first.question, tasting_method_name(group->first.method), group->sessions,
           group->sessions == 1 ? "" : "s");
    taste_print_score(&group->score, &group->first);
    puts("");
}

int taste_results(struct store *store, const struct options *options)
{
    struct why why;
    struct groups groups = { .store = store, .options = options, .why = &why };
    int error = store_tasting_each(store, gather, &groups, &why);
    json_t *all = json_array();

    if (error || groups.error) {
        program_say("%s", why.text);
    } else if (groups.count == 0 && !options->json) {
        program_say("no tasting has been revealed yet%s", options->name || options->question ? " that fits" : "");
    } else {
        for (size_t i = 0; i < groups.count; i++)
            if (options->json)
                json_array_append_new(all, group_json(&groups.group[i]));
            else
                print_group(&groups.group[i]);
        if (options->json) {
            json_dumpf(all, stdout, JSON_INDENT(2));
            puts("");
        }
    }
    json_decref(all);
    free(groups.group);
    return error || groups.error ? EXIT_FAILED : EXIT_DONE;
}

struct listing {
    struct store *store;
    json_t *all; /* NULL: as text */
    int count;
};

static int list_one(const struct tasting_session *session, void *context)
{
    static struct tasting_answer answers[TASTING_SETS];
    struct listing *listing = context;
    struct why why;
    char made[32];
    int answered = store_tasting_answers(listing->store, session->name, answers, TASTING_SETS, &why);
    const char *condition = session->peeks ? "opened early" : session->revealed_us ? "revealed" : "sealed";

    clock_format_utc(session->made_us, made);
    if (listing->all)
        json_array_append_new(listing->all,
                              json_pack("{s:s, s:s, s:s, s:s, s:i, s:i, s:s}", "name", session->name, "method",
                                        tasting_method_name(session->method), "question", session->question, "made_utc",
                                        made, "sets", session->sets, "answered", answered, "condition", condition));
    else
        printf("%-20s %-12s %3d of %3d answered, %-12s  %s  %s\n", session->name, tasting_method_name(session->method),
               answered, session->sets, condition, made, session->question);
    listing->count++;
    return 0;
}

int taste_list(struct store *store, const struct options *options)
{
    struct listing listing = { store, options->json ? json_array() : NULL, 0 };
    struct why why;
    int error = store_tasting_each(store, list_one, &listing, &why);

    if (error)
        program_say("%s", why.text);
    else if (listing.count == 0 && !options->json)
        program_say("no tastings yet: make one with poise-taste new");
    if (listing.all && !error) {
        json_dumpf(listing.all, stdout, JSON_INDENT(2));
        puts("");
    }
    json_decref(listing.all);
    return error ? EXIT_FAILED : EXIT_DONE;
}
