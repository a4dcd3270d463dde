/* The second opinion on whose each strength reading is: every habit of a bench as a family with a row of its own.
 * Written without reading the assigner; see mornings.h. */
#include "mornings.h"

#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct options {
    int family; /* -1: all */
    int mornings;
    bool unread, show, as_it_came;
    unsigned long seed;
    enum assigner assigner;
    double least_right, least_decidable, least_blank, least_cover, most_cover, least_zero,
        most_wrong; /* NAN: nothing asked */
};

/* A share whose cases come in mornings: cases of one morning are no independent witnesses. */
struct share {
    double part, whole;
    double part_squares, product, whole_squares; /* summed over mornings, for the error between them */
    int mornings;
};

struct row {
    int mornings;
    long cups, readings, orders_broken;
    struct share right, asked, wrong; /* of readings that nobody had named */
    struct share decidable;           /* of the same */
    struct share decided, open_wrong; /* right where decidable; wrong where not */
    struct share misled;              /* whoever is as sure as decidable asks for would be wrong here */
    struct share foreign;             /* cups sure and wrong */
    struct share far;                 /* cups further off than three standard uncertainties */
    struct share blank, as_water;     /* water recognised; coffee called water */
    struct share covered;             /* within two standard uncertainties */
    struct share covered_own;         /* the same, of cups whose readings are all their own */
    struct share zero;                /* what water would have shown, within two standard uncertainties of that */
    struct share offered;             /* the truth is one of the two cups asked about */
};

static const char usage[] =
    "usage: poise-mornings [OPTION...]\n"
    "Plays mornings at the refractometer to the assigner of readings and judges its answers.\n"
    "  --family NAME          only this family (--list shows them)\n"
    "  -n N                   mornings of each family (100)\n"
    "  --seeds SET            read (even seeds) or unread (odd): of those whoever works on the assigner sees the\n"
    "                         rows only\n"
    "  --seed N --show        one morning, reading by reading (with --family, else all)\n"
    "  --by-turns             judges counting off in threes instead of the assigner, for comparison\n"
    "  --as-it-came           judges the answer given when each reading came instead of the one at the end (slow)\n"
    "  --list                 the families\n"
    "  --least-right PCT, --least-decidable PCT, --least-blank PCT, --least-cover PCT, --most-cover PCT,\n"
    "  --least-zero PCT, --most-wrong N\n"
    "                         fail where the total has a lower share of readings right, of decidable readings right,\n"
    "                         of water recognised, of strengths within two standard uncertainties (or a higher one),\n"
    "                         of what water would have shown within two, or more than N cups in 1000 sure and wrong\n"
    "  --help, --version\n";

/* ---- shares ---- */

static void add_morning(struct share *share, double part, double whole)
{
    share->part += part;
    share->whole += whole;
    share->part_squares += part * part;
    share->product += part * whole;
    share->whole_squares += whole * whole;
    share->mornings++;
}

static double share_of(const struct share *share)
{
    return share->whole > 0 ? share->part / share->whole : NAN;
}

/* The binomial standard error, of a case more on either side where there is none, or that between mornings (a ratio's,
 * linearised; Cochran, Sampling Techniques, 6.3; from memory) where it is larger. */
static double error_of(const struct share *share)
{
    double ratio = share_of(share), smoothed = (share->part + 0.5) / (share->whole + 1), binomial, between = 0;

    if (share->whole <= 0)
        return NAN;
    binomial = sqrt(smoothed * (1 - smoothed) / share->whole);
    if (share->mornings > 1) {
        double squares = share->part_squares - 2 * ratio * share->product + ratio * ratio * share->whole_squares;

        between = sqrt(fmax(squares, 0) * share->mornings / (share->mornings - 1)) / share->whole;
    }
    return fmax(binomial, between);
}

static void add_share(struct share *sum, const struct share *share)
{
    sum->part += share->part;
    sum->whole += share->whole;
    sum->part_squares += share->part_squares;
    sum->product += share->product;
    sum->whole_squares += share->whole_squares;
    sum->mornings += share->mornings;
}

static void add_row(struct row *sum, const struct row *row)
{
    sum->mornings += row->mornings;
    sum->cups += row->cups;
    sum->readings += row->readings;
    sum->orders_broken += row->orders_broken;
    add_share(&sum->right, &row->right);
    add_share(&sum->asked, &row->asked);
    add_share(&sum->wrong, &row->wrong);
    add_share(&sum->decidable, &row->decidable);
    add_share(&sum->decided, &row->decided);
    add_share(&sum->open_wrong, &row->open_wrong);
    add_share(&sum->misled, &row->misled);
    add_share(&sum->foreign, &row->foreign);
    add_share(&sum->far, &row->far);
    add_share(&sum->blank, &row->blank);
    add_share(&sum->as_water, &row->as_water);
    add_share(&sum->covered, &row->covered);
    add_share(&sum->covered_own, &row->covered_own);
    add_share(&sum->zero, &row->zero);
    add_share(&sum->offered, &row->offered);
}

/* ---- a morning ---- */

static void count_readings(struct row *row, const struct morning *morning, const struct morning_judged *judged)
{
    int answers[3] = { 0 }, all = 0, decidable = 0, decided = 0, open_wrong = 0, water = 0, known = 0, coffee = 0;
    int as_water = 0, asked = 0, offered = 0, misled = 0, on_prism = 0, zero = 0;

    for (int i = 0; i < morning->reading_count; i++) {
        const struct morning_reading *reading = &morning->reading[i];
        const struct sample_verdict *verdict = &judged->verdict[i];

        if (!judged->counts[i])
            continue;
        all++;
        answers[judged->answer[i]]++;
        decidable += judged->decidable[i];
        decided += judged->decidable[i] && judged->answer[i] == ANSWER_RIGHT;
        open_wrong += !judged->decidable[i] && judged->answer[i] == ANSWER_WRONG;
        misled += judged->chance[i] < 1 - MORNING_DECIDABLE;
        water += reading->truth == MORNING_WATER && !reading->rinse;
        known += reading->truth == MORNING_WATER && !reading->rinse && verdict->found == SAMPLE_BLANK;
        coffee += reading->truth != MORNING_WATER;
        as_water += reading->truth != MORNING_WATER && verdict->found == SAMPLE_BLANK;
        if (reading->truth != MORNING_WATER && reading->shown.instrument < MORNING_PEOPLE) {
            on_prism++;
            zero += fabs(verdict->blank_pct - reading->level_pct) <= 2 * verdict->blank_u_pct;
        }
        if (judged->answer[i] == ANSWER_ASKED && reading->truth >= 0 && !morning->cup[reading->truth].discarded) {
            asked++;
            offered += verdict->cup == reading->truth || verdict->other == reading->truth;
        }
    }
    row->readings += all;
    add_morning(&row->right, answers[ANSWER_RIGHT], all);
    add_morning(&row->asked, answers[ANSWER_ASKED], all);
    add_morning(&row->wrong, answers[ANSWER_WRONG], all);
    add_morning(&row->decidable, decidable, all);
    add_morning(&row->decided, decided, decidable);
    add_morning(&row->open_wrong, open_wrong, all - decidable);
    add_morning(&row->misled, misled, all);
    add_morning(&row->blank, known, water);
    add_morning(&row->as_water, as_water, coffee);
    add_morning(&row->zero, zero, on_prism);
    add_morning(&row->offered, offered, asked);
}

static void count_cups(struct row *row, const struct morning *morning, const struct morning_judged *judged)
{
    int foreign = 0, far = 0, stated = 0, covered = 0, own = 0, covered_own = 0, cups = 0;

    for (int i = 0; i < morning->cup_count; i++) {
        const struct sample_strength *strength = &judged->strength[i];
        double off = fabs(strength->strength_pct - morning->cup[i].true_pct);

        if (morning->cup[i].discarded)
            continue;
        cups++;
        foreign += judged->foreign[i];
        if (!judged->stated[i])
            continue;
        stated++;
        far += off > 3 * strength->u_pct;
        covered += off <= 2 * strength->u_pct;
        own += !judged->foreign[i];
        covered_own += !judged->foreign[i] && off <= 2 * strength->u_pct;
    }
    row->cups += cups;
    add_morning(&row->foreign, foreign, cups);
    add_morning(&row->far, far, cups);
    add_morning(&row->covered, covered, stated);
    add_morning(&row->covered_own, covered_own, own);
}

static int play_family(int family, const struct options *options, struct row *row)
{
    *row = (struct row){ .mornings = 0 };
    for (int i = 0; i < options->mornings; i++) {
        struct morning morning;
        struct morning_judged judged;

        if (morning_draw(&morning, family, 2ul * (unsigned long)i + options->unread) != 0
            || morning_judge(&morning, options->assigner, options->as_it_came, &judged) != 0) {
            fprintf(stderr, "poise-mornings: no memory for a morning\n");
            return -1;
        }
        row->mornings++;
        row->orders_broken += judged.orders_broken;
        count_readings(row, &morning, &judged);
        count_cups(row, &morning, &judged);
    }
    return 0;
}

/* ---- the table ---- */

static void print_share(const struct share *share, double scale)
{
    if (share->whole > 0)
        printf(" %6.1f±%-4.1f", scale * share_of(share), scale * error_of(share));
    else
        printf(" %6s %-4s", "-", "");
}

static void print_heading(void)
{
    printf("%-13s %5s %6s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s\n", "family",
           "cups", "read-", "    right %", "    asked %", "    wrong %", "  decidable", "  right of", "  wrong of",
           "  cups sure", "  cups off", "    water", "  truth", "  within", "  the same,", "  zero");
    printf("%-13s %5s %6s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s\n", "", "",
           "ings", "", "", "", "          %", "  those %", "  others %", "  and wrong", "  by > 3u", "    known %",
           "  offered %", "  2u %", "  own only", "  in 2u %");
    printf("%-13s %5s %6s %-11s %-11s %-11s %-11s %-11s %-11s %-11s %-11s\n", "", "", "", "", "", "", "", "", "",
           "  per 1000", "  per 1000");
}

static void print_row(const char *name, const struct row *row)
{
    printf("%-13s %5ld %6ld", name, row->cups, row->readings);
    print_share(&row->right, 100);
    print_share(&row->asked, 100);
    print_share(&row->wrong, 100);
    print_share(&row->decidable, 100);
    print_share(&row->decided, 100);
    print_share(&row->open_wrong, 100);
    print_share(&row->foreign, 1000);
    print_share(&row->far, 1000);
    print_share(&row->blank, 100);
    print_share(&row->offered, 100);
    print_share(&row->covered, 100);
    print_share(&row->covered_own, 100);
    print_share(&row->zero, 100);
    printf("\n");
    fflush(stdout);
}

static bool below(const char *what, double value, double least)
{
    if (isnan(least) || value >= least)
        return false;
    printf("FAILED: %s %.2f, least %.2f\n", what, value, least);
    return true;
}

static int check(const struct options *options, const struct row *total)
{
    bool failed = total->orders_broken > 0;
    double covered = 100 * share_of(&total->covered), wrong = 1000 * share_of(&total->foreign);

    if (total->orders_broken)
        printf("FAILED: %ld readings that the operator had named went elsewhere\n", total->orders_broken);
    failed |= below("readings right, %", 100 * share_of(&total->right), options->least_right);
    failed |= below("decidable readings right, %", 100 * share_of(&total->decided), options->least_decidable);
    failed |= below("water recognised, %", 100 * share_of(&total->blank), options->least_blank);
    failed |= below("strengths within two standard uncertainties, %", covered, options->least_cover);
    failed |= below("zeros within two standard uncertainties, %", 100 * share_of(&total->zero), options->least_zero);
    if (!isnan(options->most_cover) && !(covered <= options->most_cover)) {
        printf("FAILED: strengths within two standard uncertainties, %% %.2f, most %.2f\n", covered,
               options->most_cover);
        failed = true;
    }
    if (!isnan(options->most_wrong) && !(wrong <= options->most_wrong)) {
        printf("FAILED: cups in 1000 sure and wrong %.2f, most %.2f\n", wrong, options->most_wrong);
        failed = true;
    }
    return failed ? 1 : 0;
}

static int play(const struct options *options)
{
    struct row total = { .mornings = 0 };

    print_heading();
    for (int i = 0; i < morning_family_count(); i++) {
        struct row row;

        if (options->family >= 0 && options->family != i)
            continue;
        if (play_family(i, options, &row) != 0)
            return 1;
        print_row(morning_family(i)->name, &row);
        add_row(&total, &row);
    }
    print_row("total", &total);
    printf(
        "\n%d mornings, %s seeds.  ±: standard error, binomial or between mornings, whichever is larger.\n"
        "Decidable: the truth has %.0f %% of the likelihood among all explanations near it, with the generator's own\n"
        "parameters; it has less than %.0f %% in %.2f %% of readings, where the likelihood itself would be sure and\n"
        "wrong.  Coffee called water: %.2f %%.  Orders broken: %ld.\n",
        total.mornings, options->unread ? "odd (unread)" : "even", 100 * MORNING_DECIDABLE,
        100 * (1 - MORNING_DECIDABLE), 100 * share_of(&total.misled), 100 * share_of(&total.as_water),
        total.orders_broken);
    return check(options, &total);
}

/* ---- one morning, for eyes ---- */

static const char *truth_word(const struct morning *morning, int reading, char *word, size_t size)
{
    const struct morning_reading *read = &morning->reading[reading];

    if (read->truth == MORNING_WATER)
        return read->rinse ? "rinse" : "water";
    if (read->truth == MORNING_STRAY)
        return "stranger";
    snprintf(word, size, "%d%s%s", read->truth + 1, morning->cup[read->truth].discarded ? " gone" : "",
             read->carried ? " carry" : "");
    return word;
}

static const char *verdict_word(const struct sample_verdict *verdict, char *word, size_t size)
{
    switch (verdict->found) {
    case SAMPLE_BLANK:
        return "water";
    case SAMPLE_STRAY:
        return "nobody's";
    case SAMPLE_FOUND:
        snprintf(word, size, "%d (%.3f)%s", verdict->cup + 1, verdict->chance, verdict->suspect ? " suspect" : "");
        return word;
    default:
        snprintf(word, size, "? %d (%.2f) or %d (%.2f)", verdict->cup + 1, verdict->chance, verdict->other + 1,
                 verdict->other_chance);
        return word;
    }
}

static void show_cups(const struct morning *morning, const struct morning_judged *judged)
{
    printf("cup  ready    dose  water  steep   true  expected     stated\n");
    for (int i = 0; i < morning->cup_count; i++) {
        const struct morning_cup *cup = &morning->cup[i];

        printf("%3d %6.1f  %6.2f %6.1f %6.0f  %.3f  %.3f±%.3f", i + 1, (double)cup->shown.ready_us / 6e7,
               cup->shown.dose_g, cup->shown.water_g, cup->shown.steep_s, cup->true_pct, cup->expected_pct,
               cup->scatter_pct);
        if (judged->stated[i])
            printf("  %.3f±%.3f", judged->strength[i].strength_pct, judged->strength[i].u_pct);
        else
            printf("  %11s", "-");
        printf("%s%s%s%s\n", cup->typed ? cup->shown.wanted ? "  typed under its name" : "  typed" : "",
               cup->discarded ? "  discarded" : "", cup->late_clock ? "  end recorded late" : "",
               judged->foreign[i] ? "  SURE AND WRONG" : "");
    }
}

static void show_readings(const struct morning *morning, const struct morning_judged *judged)
{
    static const char *const answers[] = { "", "asked", "WRONG" };
    double last_us[MORNING_INSTRUMENTS] = { 0 };
    char truth[40], verdict[60];

    printf("\n  #  minute  pause  on  shown  water   said     truth      verdict\n");
    for (int i = 0; i < morning->reading_count; i++) {
        const struct morning_reading *reading = &morning->reading[i];
        const struct sample_reading *shown = &reading->shown;
        char said[16] = "";

        if (shown->said == SAMPLE_OF_CUP)
            snprintf(said, sizeof said, "cup %d", shown->cup + 1);
        printf("%3d  %6.2f %5.0f s  %c  %5.2f  %5.2f  %-7s  %-9s  %-26s %s%s\n", i + 1, (double)shown->at_us / 6e7,
               ((double)shown->at_us - last_us[shown->instrument]) / 1e6, 'A' + shown->instrument, shown->shown_pct,
               reading->level_pct,
               shown->said == SAMPLE_IS_BLANK ? "blank"
               : shown->reset                 ? "zeroed"
                                              : said,
               truth_word(morning, i, truth, sizeof truth), verdict_word(&judged->verdict[i], verdict, sizeof verdict),
               answers[judged->answer[i]], judged->decidable[i] ? "" : " (undecidable)");
        last_us[shown->instrument] = (double)shown->at_us;
    }
}

static int show(const struct options *options)
{
    struct morning morning;
    struct morning_judged judged;
    int family = options->family >= 0 ? options->family : morning_family_count() - 1;

    if (morning_seed_unread(options->seed)) {
        fprintf(stderr, "poise-mornings: %lu is an unread seed: ask for an even one\n", options->seed);
        return 2;
    }
    if (morning_draw(&morning, family, options->seed) != 0
        || morning_judge(&morning, options->assigner, options->as_it_came, &judged) != 0) {
        fprintf(stderr, "poise-mornings: no memory for a morning\n");
        return 1;
    }
    printf("%s, seed %lu: %s; samples about %.0f minutes old\n", morning_family(family)->name, options->seed,
           morning_family(family)->summary, morning.wait_median_s / 60);
    for (int i = 0; i < MORNING_INSTRUMENTS; i++)
        printf("instrument %c: off by %+.3f, noise %.3f, accuracy in the manual %.2f\n", 'A' + i,
               morning.instrument[i].bias_pct, morning.instrument[i].noise_pct, morning.instrument[i].accuracy_pct);
    show_cups(&morning, &judged);
    show_readings(&morning, &judged);
    return 0;
}

/* ---- options ---- */

static int find_family(const char *name)
{
    for (int i = 0; i < morning_family_count(); i++)
        if (!strcmp(morning_family(i)->name, name))
            return i;
    fprintf(stderr, "poise-mornings: %s: no such family; --list shows them\n", name);
    return -1;
}

enum { LEAST_RIGHT = 256, LEAST_DECIDABLE, LEAST_BLANK, LEAST_COVER, MOST_COVER, LEAST_ZERO, MOST_WRONG };

static const struct option long_options[] = {
    { "family", required_argument, NULL, 'f' },
    { "seeds", required_argument, NULL, 'e' },
    { "seed", required_argument, NULL, 's' },
    { "show", no_argument, NULL, 'w' },
    { "by-turns", no_argument, NULL, 't' },
    { "as-it-came", no_argument, NULL, 'c' },
    { "list", no_argument, NULL, 'l' },
    { "least-right", required_argument, NULL, LEAST_RIGHT },
    { "least-decidable", required_argument, NULL, LEAST_DECIDABLE },
    { "least-blank", required_argument, NULL, LEAST_BLANK },
    { "least-cover", required_argument, NULL, LEAST_COVER },
    { "most-cover", required_argument, NULL, MOST_COVER },
    { "least-zero", required_argument, NULL, LEAST_ZERO },
    { "most-wrong", required_argument, NULL, MOST_WRONG },
    { "help", no_argument, NULL, 'h' },
    { "version", no_argument, NULL, 'V' },
    { NULL, 0, NULL, 0 },
};

static void list(void)
{
    for (int i = 0; i < morning_family_count(); i++)
        printf("%-13s %s\n", morning_family(i)->name, morning_family(i)->summary);
}

static int wrong_usage(void)
{
    fputs(usage, stderr);
    return 2;
}

static double *bound(struct options *options, int option)
{
    switch (option) {
    case LEAST_RIGHT:
        return &options->least_right;
    case LEAST_DECIDABLE:
        return &options->least_decidable;
    case LEAST_BLANK:
        return &options->least_blank;
    case LEAST_COVER:
        return &options->least_cover;
    case MOST_COVER:
        return &options->most_cover;
    case LEAST_ZERO:
        return &options->least_zero;
    case MOST_WRONG:
        return &options->most_wrong;
    default:
        return NULL;
    }
}

/* -1: go on; else how the program ends. */
static int take(struct options *options, int option)
{
    switch (option) {
    case 'f':
        options->family = find_family(optarg);
        return options->family < 0 ? 2 : -1;
    case 'n':
        options->mornings = atoi(optarg);
        return options->mornings > 0 ? -1 : wrong_usage();
    case 'e':
        options->unread = !strcmp(optarg, "unread");
        return options->unread || !strcmp(optarg, "read") ? -1 : wrong_usage();
    case 's':
        options->seed = strtoul(optarg, NULL, 10);
        return -1;
    case 'w':
        options->show = true;
        return -1;
    case 't':
        options->assigner = ASSIGNER_BY_TURNS;
        return -1;
    case 'c':
        options->as_it_came = true;
        return -1;
    case 'l':
        list();
        return 0;
    case 'h':
        fputs(usage, stdout);
        return 0;
    case 'V':
        puts("poise-mornings " POISE_VERSION);
        return 0;
    default:
        if (!bound(options, option))
            return wrong_usage();
        *bound(options, option) = strtod(optarg, NULL);
        return -1;
    }
}

int main(int argc, char *argv[])
{
    struct options options = { .family = -1,
                               .mornings = 100,
                               .least_right = NAN,
                               .least_decidable = NAN,
                               .least_blank = NAN,
                               .least_cover = NAN,
                               .most_cover = NAN,
                               .least_zero = NAN,
                               .most_wrong = NAN };
    int option;

    while ((option = getopt_long(argc, argv, "n:", long_options, NULL)) != -1) {
        int result = take(&options, option);

        if (result >= 0)
            return result;
    }
    if (optind < argc)
        return wrong_usage();
    return options.show ? show(&options) : play(&options);
}
