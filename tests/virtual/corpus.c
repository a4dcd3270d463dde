/* poise-corpus: random brews of the physical model, seen through random scales by the tracker, held
 * against the truth.  No daemon, no clock: a thousand brews take seconds.  Exit status 0 when the
 * accuracy asked of the tracker is reached in the judged class (5 to 20 Hz, 0.1 g) by both the seeds
 * it was tuned on and those kept unseen.
 *
 * Not here: marks and measures by the operator, instruments for pressure (tests/unit/test_tracker.c); several
 * stations, strength readings, a daemon that is killed (tests/behaviour, tests/faults). */
#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "corpus.h"
#include "poise/program.h"

enum {
    BREWS_PER_BENCH = 2, /* two in a row, by the same hands */
    WORST = 10
};

/* Seeds from here on were never looked at while the tracker was tuned, and --show does not show them: only their
 * sums are reported. */
static const unsigned long UNSEEN = 3000001;

/* Script time 0 is not the tracker's 0. */
static const double OFFSET_S = 1000;
static const int64_t HOUR_US = 3600000000;

struct watcher {
    const struct corpus_bench *bench;
    struct tracker *tracker;
    const struct model_script *script;
    struct model_truth *truth; /* as far as the script has been played */
    struct tracker_events events;
    struct corpus_line line[MODEL_SCALES];
    int64_t now_us;
    int tares, brews_over;
    struct corpus_account said;
    bool show, trace;
    double now_s;
};

static struct corpus_reported *reported_of(struct corpus_account *said, uint32_t brew)
{
    while (said->brew_count < (int)brew && said->brew_count < CORPUS_BREWS) {
        struct corpus_reported *reported = &said->brew[said->brew_count++];

        memset(reported, 0, sizeof *reported);
        reported->began_s = reported->ended_s = NAN;
        for (int i = 0; i < MEASURE_COUNT; i++)
            reported->measure[i] = reported->u[i] = NAN;
    }
    return brew >= 1 && brew <= CORPUS_BREWS ? &said->brew[brew - 1] : NULL;
}

static void print_event(const struct tracker_event *event, double now_s, double at_s)
{
    static const char *const kinds[] = {
        "begin", "stage", "measure", "warning", "question", "end", "discard", "weighed"
    };

    printf("%9.2f  %s %u", now_s, kinds[event->kind], event->brew);
    if (event->kind == TRACKER_STAGE)
        printf(" %s at %.2f +- %.2f", stage_name(event->stage), at_s, (double)event->at_uncertainty_us / 1e6);
    else if (event->kind == TRACKER_MEASURE)
        printf(" %s %.3f +- %.3f%s", measure_name(event->measure), event->value, event->standard_uncertainty,
               event->above ? " at least" : "");
    else
        printf(" at %.2f %s %s", at_s, event->word, event->detail);
    printf("\n");
}

/* Every event of a run, one a line, so that two builds can be compared; NULL: not asked for.  Words for people are left
 * out: they may change. */
static FILE *events_file;

static void write_event(const struct tracker_event *event)
{
    fprintf(events_file, "%d %u %lld %lld %d %d %d %.17g %.17g %d\n", event->kind, event->brew, (long long)event->at_us,
            (long long)event->at_uncertainty_us, event->stage, event->by_operator, event->measure, event->value,
            event->standard_uncertainty, event->above);
}

/* The plan asks for the next brew. */
static void plan_next(struct watcher *watcher)
{
    struct tracker_plan plan;

    corpus_bench_plan(watcher->bench, watcher->script, watcher->brews_over, &plan);
    tracker_configure(watcher->tracker, NULL, &plan);
}

static void hear(struct watcher *watcher)
{
    int brews_over = watcher->brews_over;

    for (int i = 0; i < watcher->events.count; i++) {
        const struct tracker_event *event = &watcher->events.event[i];
        struct corpus_reported *reported = reported_of(&watcher->said, event->brew);
        double at_s = (double)event->at_us / 1e6 - OFFSET_S;

        if (events_file)
            write_event(event);
        if (watcher->show)
            print_event(event, watcher->now_s, at_s);
        if (!reported)
            continue;
        switch (event->kind) {
        case TRACKER_BEGIN:
            reported->began_s = at_s;
            break;
        case TRACKER_END:
            reported->ended_s = at_s;
            watcher->brews_over++;
            break;
        case TRACKER_DISCARD:
            reported->discarded = true;
            break;
        case TRACKER_MEASURE:
            reported->measure[event->measure] = event->value;
            reported->u[event->measure] = event->standard_uncertainty;
            break;
        case TRACKER_STAGE:
            while (reported->stage_count && reported->stage[reported->stage_count - 1].at_s >= at_s - 0.001)
                reported->stage_count--;
            if (event->stage != STAGE_IDLE && reported->stage_count < CORPUS_STAGES) {
                reported->stage[reported->stage_count].stage = event->stage;
                reported->stage[reported->stage_count].u_s = (double)event->at_uncertainty_us / 1e6;
                reported->stage[reported->stage_count++].at_s = at_s;
            }
            break;
        default:
            break;
        }
    }
    watcher->events.count = 0;
    if (watcher->brews_over != brews_over)
        plan_next(watcher);
}

static void deadline(struct watcher *watcher, int64_t now_us)
{
    int64_t deadline_us = tracker_deadline(watcher->tracker);

    if (deadline_us && deadline_us <= now_us) {
        tracker_time(watcher->tracker, now_us, &watcher->events);
        hear(watcher);
    }
}

/* Tares that went through the computer; it knows of them before the scale has obeyed. */
static void tares(struct watcher *watcher)
{
    for (; watcher->tares < watcher->truth->tare_count; watcher->tares++)
        if (watcher->bench->tares_ordered)
            tracker_tare_ordered(watcher->tracker, watcher->now_us);
}

static void indicated(void *context, int scale, const struct model_indication *indication, const char *line, int length)
{
    struct watcher *watcher = context;
    struct reading readings[FRAME_READINGS];
    int64_t now_us = (int64_t)((indication->at_s + OFFSET_S) * 1e6);
    int count;

    tares(watcher);
    if (now_us > watcher->now_us) /* of two scales one may have been late: time never runs backwards */
        watcher->now_us = now_us;
    watcher->now_s = (double)watcher->now_us / 1e6 - OFFSET_S;
    count = corpus_line_bytes(&watcher->line[scale], line, length, watcher->now_s, watcher->now_us, readings,
                              FRAME_READINGS);
    if (watcher->trace)
        printf("%9.3f  %s%s%.2f%s\n", watcher->now_s, scale ? "second " : "",
               indication->status == MODEL_OK ? "" : "over ", indication->shown_g,
               length == 0  ? " lost"
               : count != 1 ? " damaged"
                            : "");
    deadline(watcher, watcher->now_us);
    for (int i = 0; i < count; i++) {
        if (scale == 0)
            tracker_reading(watcher->tracker, &readings[i], &watcher->events);
        else
            tracker_second(watcher->tracker, &readings[i], &watcher->events);
        hear(watcher);
    }
}

static void configure(const struct watcher *watcher, struct tracker_config *config)
{
    const struct corpus_bench *bench = watcher->bench;

    *config = (struct tracker_config){ .piston_diameter_mm = 60, .press_limit_kpa = 40, .retained_g_per_g = 2 };
    if (bench->lag_known)
        config->lag_us = (int64_t)(bench->scale[0].lag_s * 1e6);
    for (int i = 0; bench->cups_known && i < watcher->script->brew_count && i < TRACKER_CUPS; i++)
        config->cup_g[config->cup_count++] = watcher->script->brew[i].cup_g;
}

static int play(struct watcher *watcher)
{
    const struct corpus_bench *bench = watcher->bench;
    struct tracker_config config;
    int result;

    configure(watcher, &config);
    tracker_begin(watcher->tracker, &config);
    plan_next(watcher);
    result = model_run(watcher->script, bench->seed, bench->scale, bench->scales, indicated, watcher, watcher->truth);
    if (result == 0) { /* long after: what is still open is reported */
        watcher->now_us += HOUR_US;
        tracker_time(watcher->tracker, watcher->now_us, &watcher->events);
        hear(watcher);
    }
    return result;
}

static int watch(const struct model_script *script, const struct corpus_bench *bench, struct watcher *watcher,
                 struct model_truth *truth)
{
    int result = -1, lines = 0;

    watcher->bench = bench;
    watcher->script = script;
    watcher->truth = truth;
    watcher->tracker = calloc(1, tracker_size());
    while (lines < bench->scales && corpus_line_begin(&watcher->line[lines], bench->scale[lines].layout) == 0)
        lines++;
    if (watcher->tracker && lines == bench->scales)
        result = play(watcher);
    free(watcher->tracker);
    while (lines > 0)
        corpus_line_end(&watcher->line[--lines]);
    return result;
}

static int show_one(unsigned long seed, bool trace)
{
    static struct watcher watcher;
    static struct model_script script;
    static struct model_truth truth;
    static struct corpus_score score;
    struct corpus_bench bench;
    char line[1000];

    corpus_bench_draw(&bench, seed);
    model_script_random(&script, seed, BREWS_PER_BENCH, 1, bench.scales > 1);
    corpus_bench_print(&bench, script.kind);
    for (int i = 0; model_script_line(&script, i, line, sizeof line); i++)
        printf("    %s\n", line);
    watcher.show = watcher.trace = trace;
    if (watch(&script, &bench, &watcher, &truth) < 0)
        return -1;
    for (int i = 0; i < truth.mark_count && trace; i++)
        printf("truly %d %s at %.2f\n", truth.mark[i].brew + 1, model_stage_name(truth.mark[i].stage),
               truth.mark[i].at_s);
    return corpus_judge(&script, &truth, &bench, &watcher.said, &score, true);
}

struct worst {
    unsigned long seed;
    int wrong;
    char kind[MODEL_SENTENCE];
};

static void note_worst(struct worst *worst, unsigned long seed, int wrong, const char *kind)
{
    int place = WORST;

    while (place > 0 && worst[place - 1].wrong < wrong)
        place--;
    if (place == WORST)
        return;
    memmove(worst + place + 1, worst + place, (size_t)(WORST - 1 - place) * sizeof *worst);
    worst[place].seed = seed;
    worst[place].wrong = wrong;
    snprintf(worst[place].kind, sizeof worst[place].kind, "%s", kind);
}

enum { RATES = 3, LATENESSES = 3 };

/* The three that make the whole; then parts of the judged: at 5, 10 and 20 Hz, by lateness (twice: without and with
 * bunches), by layout, with a second scale. */
struct scores {
    struct corpus_score judged, slow, coarse;
    struct corpus_score at_rate[RATES], late[LATENESSES][2], layout[MODEL_LAYOUTS], second;
};

static const double late_below_s[LATENESSES] = { 0.007, 0.014, 1 }; /* thirds of what is drawn */

static int lateness_of(const struct model_scale_settings *scale)
{
    int lateness = 0;

    while (scale->jitter_s > late_below_s[lateness])
        lateness++;
    return lateness;
}

/* Both scales of a bench with two must be of the class. */
static bool is_judged(const struct corpus_bench *bench)
{
    for (int i = 0; i < bench->scales; i++)
        if (bench->scale[i].rate_hz < 4 || bench->scale[i].division_g > 0.5)
            return false;
    return true;
}

static struct corpus_score *score_of(struct scores *scores, const struct corpus_bench *bench)
{
    if (is_judged(bench))
        return &scores->judged;
    return bench->scale[0].division_g < 0.5 && bench->scale[bench->scales - 1].division_g < 0.5 ? &scores->slow
                                                                                                : &scores->coarse;
}

static int run_bench(unsigned long seed, struct scores *scores, struct worst *worst)
{
    static struct watcher watcher;
    static struct model_script script;
    static struct model_truth truth;
    struct corpus_bench bench;
    const struct model_scale_settings *scale = &bench.scale[0];
    struct corpus_score *score;
    int wrong;

    corpus_bench_draw(&bench, seed);
    model_script_random(&script, seed, BREWS_PER_BENCH, 1, bench.scales > 1);
    memset(&watcher, 0, sizeof watcher);
    if (watch(&script, &bench, &watcher, &truth) < 0)
        return -1;
    score = score_of(scores, &bench);
    wrong = corpus_judge(&script, &truth, &bench, &watcher.said, score, false);
    if (score == &scores->judged) {
        struct corpus_score *parts[] = {
            &scores->at_rate[scale->rate_hz < 7    ? 0
                             : scale->rate_hz < 15 ? 1
                                                   : 2],
            &scores->late[lateness_of(scale)][scale->bunch_s > 0],
            &scores->layout[scale->layout],
            bench.scales > 1 ? &scores->second : NULL,
        };

        for (size_t i = 0; i < sizeof parts / sizeof *parts; i++)
            if (parts[i])
                corpus_judge(&script, &truth, &bench, &watcher.said, parts[i], false);
        if (wrong)
            note_worst(worst, seed, wrong, script.kind);
    }
    return 0;
}

static int run_part(unsigned long first, int brews, struct scores *scores, struct worst *worst)
{
    for (int i = 0; i < brews / BREWS_PER_BENCH; i++)
        if (run_bench(first + (unsigned long)i, scores, worst) < 0)
            return -1;
    return 0;
}

static bool run_knocks(double hours)
{
    static struct watcher watcher;
    static struct model_script script;
    static struct model_truth truth;
    struct corpus_bench bench;

    corpus_bench_draw(&bench, 1);
    bench.scales = 1;
    bench.scale[0].rate_hz = 10;
    bench.scale[0].division_g = 0.1;
    memset(&watcher, 0, sizeof watcher);
    model_script_knocks(&script, 1, hours);
    if (watch(&script, &bench, &watcher, &truth) < 0)
        return false;
    printf("\n%.0f hours of knocks, things set down, a cloth, draughts, drift: %d brews reported\n", hours,
           watcher.said.brew_count);
    return watcher.said.brew_count == 0;
}

static void print_part(const char *name, const struct scores *scores)
{
    printf("\n%s\n", name);
    corpus_print("5 to 20 Hz, 0.1 g (judged)", &scores->judged);
    printf("    of these stages at 5 Hz %.2f %%, 10 Hz %.2f %%, 20 Hz %.2f %%\n",
           corpus_stage_share(&scores->at_rate[0]), corpus_stage_share(&scores->at_rate[1]),
           corpus_stage_share(&scores->at_rate[2]));
    for (int bunches = 0; bunches <= 1; bunches++)
        printf("    %s late by less than 7 ms %.2f %%, 14 ms %.2f %%, 20 ms %.2f %%\n",
               bunches ? "in bunches of 16 ms," : "line by line,", corpus_stage_share(&scores->late[0][bunches]),
               corpus_stage_share(&scores->late[1][bunches]), corpus_stage_share(&scores->late[2][bunches]));
    printf("    by layout:");
    for (int layout = 0; layout < MODEL_LAYOUTS; layout++)
        printf(" %s %.2f %%%s", model_layout_name((enum model_layout)layout),
               corpus_stage_share(&scores->layout[layout]), layout < MODEL_LAYOUTS - 1 ? "," : "\n");
    corpus_print("of these with a second scale", &scores->second);
    corpus_print("2 Hz, 0.1 g", &scores->slow);
    corpus_print("1 g", &scores->coarse);
}

static bool is_reached(const struct corpus_score *score, double least_pct)
{
    return least_pct > 0 ? corpus_holds(score, least_pct) : corpus_reached(score);
}

static void usage(void)
{
    puts("usage: poise-corpus [--brews N] [--hours H] [--tuning-only] | --show SEED [--trace]\n"
         "Brews drawn at random, seen through random scales by the stage tracker, held against the truth.\n"
         "  -n, --brews N      brews in total, half of them from seeds kept unseen (1000)\n"
         "  -H, --hours H      hours of knocks in which no brew may be seen (8; 0: none)\n"
         "  -l, --least PCT    fail only below so many per cent, instead of what is asked of the tracker\n"
         "  -e, --events FILE  write every event there: two builds that decide alike write the same bytes\n"
         "  -t, --tuning-only  leave the unseen seeds alone\n"
         "  -s, --show SEED    one bench in full: its script, what was reported, what was wrong\n"
         "  -r, --trace        with --show: every indication and event too");
}

int main(int argc, char **argv)
{
    static const struct option options[] = {
        { "brews", required_argument, NULL, 'n' },
        { "hours", required_argument, NULL, 'H' },
        { "tuning-only", no_argument, NULL, 't' },
        { "least", required_argument, NULL, 'l' },
        { "show", required_argument, NULL, 's' },
        { "trace", no_argument, NULL, 'r' },
        { "help", no_argument, NULL, 'h' },
        { "events", required_argument, NULL, 'e' },
        { NULL, 0, NULL, 0 },
    };
    static struct scores tuned, unseen;
    static struct worst worst[WORST + 1];
    int brews = 1000, option;
    bool trace = false, tuning_only = false, reached = true;
    unsigned long show = 0;
    double hours = 8, least_pct = 0;

    while ((option = getopt_long(argc, argv, "n:H:l:ts:re:h", options, NULL)) != -1)
        switch (option) {
        case 'n':
            brews = atoi(optarg);
            break;
        case 'H':
            hours = atof(optarg);
            break;
        case 'l':
            least_pct = atof(optarg);
            break;
        case 't':
            tuning_only = true;
            break;
        case 's':
            show = strtoul(optarg, NULL, 10);
            break;
        case 'r':
            trace = true;
            break;
        case 'e':
            events_file = fopen(optarg, "w");
            if (!events_file) {
                fprintf(stderr, "poise-corpus: --events %s: %s\n", optarg, strerror(errno));
                return EXIT_FAILED;
            }
            break;
        case 'h':
            usage();
            return EXIT_DONE;
        default:
            usage();
            return EXIT_USAGE;
        }
    if (show >= UNSEEN) {
        fprintf(stderr, "poise-corpus: --show: seeds from %lu on are kept unseen\n", UNSEEN);
        return EXIT_USAGE;
    }
    if (show)
        return show_one(show, trace) == 0 ? EXIT_DONE : EXIT_FAILED;
    if (run_part(1, tuning_only ? brews : brews / 2, &tuned, worst) < 0)
        return EXIT_FAILED;
    print_part("seeds the tracker was tuned on", &tuned);
    corpus_print_confusion(&tuned.judged);
    reached = is_reached(&tuned.judged, least_pct);
    printf("\nworst of these:\n");
    for (int i = 0; i < WORST && worst[i].wrong; i++)
        printf("  %d wrong: poise-corpus --show %lu    (%s)\n", worst[i].wrong, worst[i].seed, worst[i].kind);
    if (!tuning_only) {
        memset(worst, 0, sizeof worst);
        if (run_part(UNSEEN, brews / 2, &unseen, worst) < 0)
            return EXIT_FAILED;
        print_part("seeds kept unseen", &unseen);
        corpus_print_confusion(&unseen.judged);
        reached &= is_reached(&unseen.judged, least_pct);
    }
    if (hours > 0)
        reached &= run_knocks(hours);
    printf("\n%s %s\n", least_pct > 0 ? "the least accuracy is" : "accuracy is", reached ? "reached" : "not reached");
    return reached ? EXIT_DONE : EXIT_FAILED;
}
