/* Histories of cups and brewers, drawn from a seed, and a judge of who works out what was in the cup: every habit of a
 * bench is a family with a row of its own.
 *
 * Written before what it judges, from the public header alone (stations/vessels.h).  The truth of every cup is known.
 * Even seeds may be read while working on it, odd ones stay unread: only their rows are looked at.  Rates, masses and
 * ranges are guesses at common practice (no source); what matters is that all of it occurs. */
#include <getopt.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "stations/vessels.h"

enum { CUPS_MOST = 8, BREWS = 24 };

/* Further off than this is wrong, where it is also further than three of its uncertainties. */
static const double LIMIT_G = 1, RIGHT_G = 2;

struct habits {
    const char *name, *what;
    int cups;
    double make_g;         /* 0: cups of every kind; else they are of one make, with this spread */
    double alike_g;        /* the first two differ by at most so much; 0: they do not try to */
    double seen, together; /* how the cup comes: alone before its brew; with the brewer in one go; else unseen */
    double wet_g, rest_g;  /* drops in a cup before a brew, and what stays in an emptied one: means of exponentials */
    double back, next;     /* something is set down after the brew; and it is the next brew's cup */
    double swapped;        /* the cup that was seen empty is not the one that comes back */
    double guest;          /* a cup that comes once, never seen empty */
    double drift_g;        /* of the scale over the whole history, at a full cup's mass */
    double digit_g;
    double careless; /* the press stops well before the end */
};

static const struct habits families[] = {
    { "row", "six cups of every kind", 6, 0, 0, 0.6, 0.2, 0.5, 1, 0.5, 0.2, 0, 0.02, 0, 0.1, 0.05 },
    { "one", "one cup, used again and again", 1, 0, 0, 0.5, 0.2, 0.5, 1, 0.5, 0.2, 0, 0, 0, 0.1, 0.05 },
    { "make", "six cups of one make", 6, 5, 0, 0.6, 0.2, 0.5, 1, 0.5, 0.2, 0, 0.02, 0, 0.1, 0.05 },
    { "alike", "two that differ by up to 3 g, two others", 4, 0, 3, 0.6, 0.2, 0.5, 1, 0.5, 0.2, 0, 0, 0, 0.1, 0.05 },
    { "wet", "cups rinsed and hardly shaken", 5, 0, 0, 0.6, 0.2, 2.5, 2.5, 0.5, 0.2, 0, 0, 0, 0.1, 0.05 },
    { "rests", "coffee left in cups that come back", 5, 0, 0, 0.4, 0.2, 0.5, 4, 0.8, 0.1, 0, 0, 0, 0.1, 0.05 },
    { "swapped", "one cup in ten is exchanged on the way", 5, 0, 0, 0.8, 0.1, 0.5, 1, 0.4, 0.2, 0.1, 0, 0, 0.1, 0.05 },
    { "guests", "one brew in five into a cup that nobody knows", 5, 0, 0, 0.6, 0.2, 0.5, 1, 0.3, 0.3, 0, 0.2, 0, 0.1,
      0.05 },
    { "together", "cup and brewer in one go", 5, 0, 0, 0.15, 0.8, 0.5, 1, 0.3, 0.2, 0, 0.05, 0, 0.1, 0.05 },
    { "next", "what comes after a brew is the next cup", 6, 12, 0, 0.3, 0.2, 0.5, 1, 0.9, 0.9, 0, 0.02, 0, 0.1, 0.05 },
    { "drift", "a scale that drifts by 2 g", 5, 0, 0, 0.6, 0.2, 0.5, 1, 0.5, 0.2, 0, 0, 2, 0.1, 0.05 },
    { "coarse", "a scale that shows grams", 5, 0, 0, 0.6, 0.2, 0.5, 1, 0.5, 0.2, 0, 0, 0, 1, 0.05 },
    { "careless", "a press in three stops early", 5, 0, 0, 0.6, 0.2, 0.5, 1, 0.5, 0.2, 0, 0.02, 0, 0.1, 0.33 },
};
enum { FAMILIES = sizeof families / sizeof *families };

struct bench {
    const struct habits *habits;
    gsl_rng *random;
    double cup_g[CUPS_MOST], brewer_g, held;
    int brew;
};

struct row {
    long brews, unseen, right, asked, wrong, far, covered, seen, seen_far;
};

static double weighed(struct bench *bench, double mass_g)
{
    double digit_g = bench->habits->digit_g;
    double drifted_g = mass_g * (1 + bench->habits->drift_g / 500 * bench->brew / BREWS);

    return digit_g * round((drifted_g + gsl_ran_gaussian(bench->random, 0.03)) / digit_g);
}

static bool happens(struct bench *bench, double chance)
{
    return gsl_rng_uniform(bench->random) < chance;
}

static double drops(struct bench *bench, double mean_g)
{
    return fmin(gsl_ran_exponential(bench->random, mean_g), 5 * mean_g);
}

static void furnish(struct bench *bench)
{
    const struct habits *habits = bench->habits;
    double make_g = gsl_ran_flat(bench->random, 180, 400);

    for (int i = 0; i < habits->cups; i++)
        bench->cup_g[i] = habits->make_g > 0 ? make_g + gsl_ran_gaussian(bench->random, habits->make_g)
                                             : gsl_ran_flat(bench->random, 150, 450);
    if (habits->alike_g > 0)
        bench->cup_g[1] = bench->cup_g[0] + gsl_ran_flat(bench->random, 0.2, habits->alike_g);
    bench->brewer_g = gsl_ran_flat(bench->random, 90, 300);
    bench->held = 2.05 + gsl_ran_gaussian(bench->random, 0.12);
}

static void judge(struct row *row, bool seen, double truth_g, const struct vessel_answer *answer, bool show)
{
    double off_g = fabs(answer->beverage_g - truth_g);
    bool asked = answer->u_g > VESSELS_ASK_U_G, far = off_g > LIMIT_G && off_g > 3 * answer->u_g;

    row->brews++;
    row->far += far;
    row->wrong += far && !asked;
    row->covered += off_g <= 2 * answer->u_g;
    row->seen += seen;
    row->seen_far += seen && far;
    if (!seen) {
        row->unseen++;
        row->asked += asked;
        row->right += !asked && off_g <= RIGHT_G;
    }
    if (show)
        printf("   %s %.1f +- %.1f g, truly %.1f%s%s\n", seen ? "seen  " : "unseen", answer->beverage_g, answer->u_g,
               truth_g, asked ? ", asked" : "", far ? ", FAR OFF" : "");
}

static void take(struct vessels *vessels, double mass_g, double u_g, enum vessel_role role, int64_t time_us)
{
    struct vessel_weighing weighing = { mass_g, u_g, role, time_us };
    struct vessel_match match;

    vessels_take(vessels, &weighing, &match);
}

static void brew_one(struct bench *bench, struct vessels *vessels, struct row *row, bool show)
{
    const struct habits *habits = bench->habits;
    double digit_u_g = habits->digit_g / sqrt(12), dose_g = 15 + gsl_ran_gaussian(bench->random, 0.3);
    double water_g = 230 + gsl_ran_gaussian(bench->random, 2), how = gsl_rng_uniform(bench->random);
    double held = bench->held + gsl_ran_gaussian(bench->random, 0.08), wet_g = drops(bench, habits->wet_g);
    int cup = (int)gsl_rng_uniform_int(bench->random, (unsigned long)habits->cups), seen_cup = cup;
    bool guest = happens(bench, habits->guest), seen = !guest && how < habits->seen;
    bool together = how >= habits->seen && how < habits->seen + habits->together;
    double cup_g = guest ? gsl_ran_flat(bench->random, 150, 450) : bench->cup_g[cup], back_g;
    double beverage_g = water_g - held * dose_g;
    int64_t time_us = INT64_C(600000000) * bench->brew;
    struct vessel_question question = { .dose_g = dose_g, .water_g = water_g, .seen_g = NAN, .together_g = NAN };
    struct vessel_answer answer;

    if (happens(bench, habits->careless))
        beverage_g -= gsl_ran_flat(bench->random, 5, 35);
    if (seen && habits->cups > 1 && happens(bench, habits->swapped))
        while (cup == seen_cup)
            seen_cup = (int)gsl_rng_uniform_int(bench->random, (unsigned long)habits->cups);
    if (seen) {
        question.seen_g = weighed(bench, bench->cup_g[seen_cup] + (seen_cup == cup ? wet_g : drops(bench, 0.5)));
        question.seen_u_g = digit_u_g;
    }
    if (together) {
        question.together_g = weighed(bench, cup_g + wet_g + bench->brewer_g + drops(bench, habits->wet_g));
        question.together_u_g = digit_u_g;
    }
    question.full_g = weighed(bench, cup_g + wet_g + beverage_g);
    question.full_u_g = digit_u_g;
    if (!vessels_answer(vessels, &question, &answer))
        abort();
    if (seen) {
        take(vessels, question.seen_g, digit_u_g, VESSEL_CUP, time_us);
        if (happens(bench, 0.8)) /* the brewer came onto it by itself */
            take(vessels, weighed(bench, bench->brewer_g + drops(bench, habits->wet_g)), 2 * digit_u_g, VESSEL_BREWER,
                 time_us);
        if (answer.as_seen > VESSELS_CLEAR && answer.u_g < LIMIT_G)
            vessels_held(vessels, (water_g - answer.beverage_g) / dose_g);
    }
    if (happens(bench, habits->back)) {
        bool next = happens(bench, habits->next);

        back_g = next ? bench->cup_g[gsl_rng_uniform_int(bench->random, (unsigned long)habits->cups)]
                            + drops(bench, habits->wet_g)
                      : cup_g + drops(bench, habits->rest_g);
        question.back[0].mass_g = weighed(bench, back_g);
        question.back[0].u_g = digit_u_g;
        question.back_count = 1;
        if (!vessels_answer(vessels, &question, &answer))
            abort();
        take(vessels, question.back[0].mass_g, digit_u_g, VESSEL_UNKNOWN, time_us + 60000000);
    }
    if (show)
        printf("brew %d: cup %d%s of %.1f g%s%s%s\n", bench->brew, cup, guest ? ", a guest's," : "", cup_g,
               seen       ? ", seen"
               : together ? ", with the brewer"
                          : "",
               seen_cup != cup ? ", another was" : "", question.back_count ? ", something came back" : "");
    judge(row, seen, beverage_g, &answer, show);
}

static void history(int family, unsigned long seed, struct row *row, bool show)
{
    struct bench bench = { .habits = &families[family], .random = gsl_rng_alloc(gsl_rng_mt19937) };
    struct vessels *vessels = calloc(1, sizeof *vessels);

    if (!bench.random || !vessels)
        exit(1);
    gsl_rng_set(bench.random, seed * 1000 + (unsigned long)family + 1);
    furnish(&bench);
    for (; bench.brew < BREWS; bench.brew++)
        brew_one(&bench, vessels, row, show);
    for (int i = 0; i < vessels->count && show; i++)
        printf("   known: %-10s %8.1f g, weighed %d times\n", vessels->all[i].name, vessels->all[i].mass_g,
               vessels->all[i].seen);
    free(vessels);
    gsl_rng_free(bench.random);
}

static void print_row(const char *name, const struct row *row, const char *what)
{
    printf("%-9s %6ld brews %5ld unseen: %5.1f %% right %5.1f %% asked | sure and wrong %5.1f in 1000, of seen cups "
           "%5.1f | within 2 u %5.1f %%  %s\n",
           name, row->brews, row->unseen, 100.0 * (double)row->right / (double)row->unseen,
           100.0 * (double)row->asked / (double)row->unseen, 1000.0 * (double)row->wrong / (double)row->brews,
           row->seen ? 1000.0 * (double)row->seen_far / (double)row->seen : 0,
           100.0 * (double)row->covered / (double)row->brews, what);
}

static void add(struct row *sum, const struct row *row)
{
    sum->brews += row->brews;
    sum->unseen += row->unseen;
    sum->right += row->right;
    sum->asked += row->asked;
    sum->wrong += row->wrong;
    sum->far += row->far;
    sum->covered += row->covered;
    sum->seen += row->seen;
    sum->seen_far += row->seen_far;
}

int main(int argc, char **argv)
{
    static const struct option options[] = {
        { "family", required_argument, NULL, 'f' },
        { "unread", no_argument, NULL, 'u' },
        { "show", required_argument, NULL, 's' },
        { "most-wrong", required_argument, NULL, 'w' },
        { "least-right", required_argument, NULL, 'r' },
        { "least-cover", required_argument, NULL, 'c' },
        { NULL, 0, NULL, 0 },
    };
    double most_wrong = INFINITY, least_right = 0, least_cover = 0;
    int only = -1, histories = 40, option, show = -1;
    struct row sum = { 0 };
    bool unread = false;

    while ((option = getopt_long(argc, argv, "n:", options, NULL)) != -1) {
        for (int i = 0; option == 'f' && i < FAMILIES; i++)
            only = strcmp(families[i].name, optarg) == 0 ? i : only;
        if (option == 'n')
            histories = atoi(optarg);
        else if (option == 'u')
            unread = true;
        else if (option == 's')
            show = atoi(optarg);
        else if (option == 'w')
            most_wrong = atof(optarg);
        else if (option == 'r')
            least_right = atof(optarg);
        else if (option == 'c')
            least_cover = atof(optarg);
        else if (option != 'f' || only < 0) {
            fprintf(stderr, "usage: poise-vessels [-n HISTORIES] [--family NAME] [--unread] [--show EVEN-SEED]\n"
                            "       [--most-wrong IN-1000] [--least-right PCT] [--least-cover PCT]\n");
            return 2;
        }
    }
    if (show >= 0 && (show % 2 || only < 0)) {
        fprintf(stderr, "poise-vessels: an unread seed, or no family\n");
        return 2;
    }
    for (int family = 0; family < FAMILIES; family++) {
        struct row row = { 0 };

        if (only >= 0 && family != only)
            continue;
        if (show >= 0)
            history(family, (unsigned long)show, &row, true);
        for (int i = 0; i < histories && show < 0; i++)
            history(family, 2 * (unsigned long)i + unread, &row, false);
        print_row(families[family].name, &row, families[family].what);
        add(&sum, &row);
    }
    print_row("all", &sum, "");
    return 1000.0 * (double)sum.wrong > most_wrong * (double)sum.brews
           || 100.0 * (double)sum.right < least_right * (double)sum.unseen
           || 100.0 * (double)sum.covered < least_cover * (double)sum.brews;
}
