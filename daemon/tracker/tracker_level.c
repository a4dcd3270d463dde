/* At which level a load rests: a mean, or while the filter's tail of a jump is still in it, where that
 * tail leads; and from long tails the filter's lag, when nobody has configured it.
 *
 * A scale's filter is taken as two equal poles of half the lag (see tracker_clear.c).  When the hand has done,
 * what it shows is level + (a + b t) exp(-t / pole), whatever the hand did before. */
#include <string.h>

#include "tracker_parts.h"

/* A level is read from so much time at most: longer is only drift. */
static const int64_t LEVEL_US = 4000000;

/* What is left of a jump when the hand has done, at most, and how fast it goes at least: as a filter of one pole. */
static const double TAIL_MOST_G = 500, TAIL_POLES = 2, TAIL_LEAST_G = 0.01;

/* The hand had done at most so long before it was sure. */
static const int64_t HAND_US = 500000;

/* A pole that was configured or learnt is as sure as this share of itself. */
static const double CONFIGURED_SHARE = 0.02, LEARNT_SHARE = 0.05, UNKNOWN_SHARE = 1.5;
static const double SEARCH_SHARE = 0.1;                     /* one that is surer is not searched for */
static const double POLE_FIRST_S = 0.03, POLE_LAST_S = 0.4; /* instruments lag by 0.06 to 0.8 s */

/* An indication's own spread: its last digit and the converter's noise; and how well its time is known. */
static const double NOISE_DIVISIONS = 0.4, TIME_S = 0.004;

/* Earlier samples belong to the tail while each adds no more than this to the misfit. */
static const double MISFIT_MOST = 7;

/* A blow is so wide, so many times wider than what it seems to have moved, over so soon, and moves things so far. */
static const double BLOW_LEAST_G = 3, BLOW_TIMES = 6, BLOW_MOVES_G = 0.03;
static const int64_t BLOW_US = 1500000;

enum { POINTS = RING_SAMPLES, POINTS_LEAST = 4, SEARCHES = 14 };

/* A rest was left up to so long before it showed: the cut that leaves the level best known is taken. */
static const int64_t CUT_US = 100000, CUTS_US = 600000;

/* Tails worth learning from: of jumps between these, by which the pole is known this well. */
static const double JUMP_LEAST_G = 40, JUMP_MOST_G = 1200, LEARN_LEAST_SHARE = 0.12, LAG_LIKE_SHARE = 0.03;

struct point {
    double t_s, y_g, weight;
};

/* Samples that may be a tail, and what is thought of it beforehand. */
struct window {
    struct point point[POINTS];
    int count;
    double pole_s, share;         /* the likely pole, and how sure it is */
    double tail_g;                /* no more is left of the jump at the first sample */
    double known_g, known_weight; /* where it rested before a blow: it moved nothing; of weight 0: there was none */
};

struct fit {
    double x[3]; /* level, a, b of a + b t / pole */
    double chi2, level_variance;
};

static int by_lag(const void *a, const void *b)
{
    const struct lag *x = a, *y = b;

    return (x->lag_s > y->lag_s) - (x->lag_s < y->lag_s);
}

/* Solves the symmetric m x = g of three unknowns; *first gets the variance of x[0]. */
static bool solve(double m[3][3], const double g[3], double x[3], double *first)
{
    double inverse[3][3], determinant;

    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            inverse[j][i] = m[(i + 1) % 3][(j + 1) % 3] * m[(i + 2) % 3][(j + 2) % 3]
                            - m[(i + 1) % 3][(j + 2) % 3] * m[(i + 2) % 3][(j + 1) % 3];
    determinant = m[0][0] * inverse[0][0] + m[0][1] * inverse[1][0] + m[0][2] * inverse[2][0];
    if (!(determinant > 1e-12 * m[0][0] * m[1][1] * m[2][2]))
        return false;
    for (int i = 0; i < 3; i++)
        x[i] = (inverse[i][0] * g[0] + inverse[i][1] * g[1] + inverse[i][2] * g[2]) / determinant;
    *first = inverse[0][0] / determinant;
    return true;
}

static bool fit_pole(const struct window *window, double pole_s, struct fit *fit)
{
    const struct point *point = window->point;
    int count = window->count;
    double firm = 1 / (window->tail_g * window->tail_g);
    double m[3][3] = { { window->known_weight }, { 0, firm, 0 }, { 0, 0, firm } };
    double g[3] = { window->known_weight * window->known_g };

    for (int i = 0; i < count; i++) {
        double e = exp(-point[i].t_s / pole_s), basis[3] = { 1, e, e * point[i].t_s / pole_s };

        for (int j = 0; j < 3; j++) {
            for (int k = 0; k < 3; k++)
                m[j][k] += point[i].weight * basis[j] * basis[k];
            g[j] += point[i].weight * basis[j] * point[i].y_g;
        }
    }
    if (!solve(m, g, fit->x, &fit->level_variance))
        return false;
    fit->chi2 = 0;
    for (int i = 0; i < count; i++) {
        double e = exp(-point[i].t_s / pole_s);
        double off = point[i].y_g - fit->x[0] - (fit->x[1] + fit->x[2] * point[i].t_s / pole_s) * e;

        fit->chi2 += point[i].weight * off * off;
    }
    return true;
}

/* What is against a pole: the misfit, and how far it is from the one thought likely. */
static double against(const struct window *window, double log_pole, struct fit *fit)
{
    double off = (log_pole - log(window->pole_s)) / window->share;

    return fit_pole(window, exp(log_pole), fit) ? fit->chi2 + off * off : INFINITY;
}

/* Nothing to speak of is left of the jump: the level is a mean. */
static void fit_mean(const struct window *window, struct fit *fit)
{
    double whole = window->known_weight, sum = whole * window->known_g;

    *fit = (struct fit){ .chi2 = 0 };
    for (int i = 0; i < window->count; i++) {
        whole += window->point[i].weight;
        sum += window->point[i].weight * window->point[i].y_g;
    }
    fit->x[0] = sum / whole;
    fit->level_variance = 1 / whole;
    for (int i = 0; i < window->count; i++)
        fit->chi2 += window->point[i].weight * pow(window->point[i].y_g - fit->x[0], 2);
}

/* The best pole by steps that grow finer around the best so far; *share gets how well it is known. */
static double best_pole_s(const struct window *window, struct fit *fit, double *known_share)
{
    double best = log(window->pole_s), step = fmin(0.35, 2 * window->share), least, bend;
    double first = log(POLE_FIRST_S), last = log(POLE_LAST_S);

    least = against(window, best, fit);
    for (int i = 0; i < SEARCHES; i++) {
        double better = NAN;

        for (int sign = -1; sign <= 1; sign += 2) {
            double try = fmin(fmax(best + sign * step, first), last), value = against(window, try, fit);

            if (value < least) {
                least = value;
                better = try;
            }
        }
        if (isnan(better))
            step /= 2.5;
        else
            best = better;
        if (step < 0.004)
            break;
    }
    bend = against(window, best + 0.02, fit) + against(window, best - 0.02, fit) - 2 * least;
    *known_share = bend > 0 ? 0.02 * sqrt(2 / bend) : INFINITY;
    against(window, best, fit);
    return exp(best);
}

/* How much each is worth: on a slope, an error of time is one of mass. */
static void weigh(struct point *point, int count, double resolution_g)
{
    for (int i = 0; i < count; i++) {
        int a = i > 0 ? i - 1 : 0, b = i + 1 < count ? i + 1 : count - 1;
        double span_s = point[b].t_s - point[a].t_s, slope = span_s > 0 ? (point[b].y_g - point[a].y_g) / span_s : 0;

        point[i].weight = 1 / (pow(NOISE_DIVISIONS * resolution_g, 2) + pow(slope * TIME_S, 2));
    }
}

static int gather(const struct signal *signal, int64_t from_us, int64_t until_us, struct point point[POINTS])
{
    int count = 0;

    for (uint32_t back = samples_held(signal); back-- > 0;) {
        const struct sample *sample = sample_back(signal, back);

        if (sample->at_us < from_us || sample->at_us > until_us)
            continue;
        if (sample->overload)
            count = 0;
        else
            point[count++] = (struct point){ (double)(sample->at_us - until_us) / 1e6, (double)sample->load_g, 1 };
    }
    return count;
}

/* The longest window that is a tail: hands may have been at work before it. */
static void fit_tail(const struct point *point, int count, double jump_s, struct window *window, struct level *level)
{
    double before_chi2 = 0;

    for (int n = POINTS_LEAST, added = 0; n <= count; n += added = 1 + n / 6) {
        const struct point *first = point + count - n;
        double pole_s = window->pole_s, known_share = INFINITY, past_s = fmax(0, first->t_s - jump_s);
        struct fit fit;

        for (int i = 0; i < n; i++) {
            window->point[i] = first[i];
            window->point[i].t_s -= first->t_s;
        }
        window->count = n;
        window->tail_g = fmax(TAIL_MOST_G * exp(-past_s / (TAIL_POLES * window->pole_s)), 1e-3);
        if (window->tail_g < TAIL_LEAST_G)
            fit_mean(window, &fit);
        else if (window->share < SEARCH_SHARE)
            fit.chi2 = against(window, log(pole_s), &fit);
        else
            pole_s = best_pole_s(window, &fit, &known_share);
        if (!isfinite(fit.chi2) || (level->count && fit.chi2 - before_chi2 > MISFIT_MOST * added))
            break;
        before_chi2 = fit.chi2;
        level->count = n;
        level->pole_s = pole_s;
        level->pole_share = known_share * fmax(1, sqrt(fit.chi2 / n));
        level->level_g = fit.x[0];
        level->a_g = fit.x[1];
        level->b_g = fit.x[2];
        level->from_us = level->until_us + (int64_t)(first->t_s * 1e6);
        level->u_g = sqrt(fmax(fit.level_variance, 0)) * fmax(1, sqrt(fit.chi2 / n));
    }
}

/* A blow dies away and has moved nothing, whatever its own tail makes of the level after it.  It is the piece before
 * the rest that began at jump_us, or the open one. */
static void know_before(const struct signal *signal, int64_t jump_us, struct window *window)
{
    for (int i = 1; i < signal->count; i++) {
        const struct piece *blow = &signal->piece[i], *before = blow - 1;
        const struct piece *after = i + 1 < signal->count ? blow + 1 : NULL;
        double wide_g = (double)(blow->high_g - blow->low_g);
        double moved_g = fabs((double)((after ? after->first_g : blow->last_g) - before->last_g));

        if (blow->kind != PIECE_HANDLED || before->kind != PIECE_REST
            || (after && (after->kind != PIECE_REST || after->begin_us != jump_us)))
            continue;
        if (wide_g < BLOW_LEAST_G || wide_g < BLOW_TIMES * moved_g || blow->end_us - blow->left_us > BLOW_US)
            continue;
        window->known_g = (double)before->last_g;
        window->known_weight = 1 / (pow((double)before->last_u_g, 2) + pow(BLOW_MOVES_G, 2));
    }
}

static bool fit_level(const struct signal *signal, int64_t jump_us, int64_t until_us, double share, struct level *level)
{
    int64_t from_us = jump_us - HAND_US < until_us - LEVEL_US ? until_us - LEVEL_US : jump_us - HAND_US;
    struct window window = { .pole_s = signal_lag_s(signal) / 2, .share = share };
    struct point point[POINTS];
    int count = gather(signal, from_us, until_us, point);

    *level = (struct level){ .until_us = until_us };
    if (count < POINTS_LEAST)
        return false;
    weigh(point, count, signal->resolution_g);
    know_before(signal, jump_us, &window);
    fit_tail(point, count, (double)(jump_us - until_us) / 1e6, &window, level);
    return level->count > 0;
}

static double pole_share(const struct signal *signal)
{
    return signal->lag_s > 0 ? CONFIGURED_SHARE : signal->lag_count > 1 ? LEARNT_SHARE : UNKNOWN_SHARE;
}

bool level_fit(const struct signal *signal, int64_t jump_us, int64_t until_us, struct level *level)
{
    return fit_level(signal, jump_us, until_us, pole_share(signal), level);
}

bool level_left(const struct signal *signal, int64_t jump_us, int64_t left_us, struct level *level)
{
    int64_t step_us = signal->interval_us > CUT_US ? signal->interval_us : CUT_US;
    bool fits = false;

    for (int64_t cut_us = 0; cut_us <= CUTS_US; cut_us += step_us) {
        struct level one;

        if (level_fit(signal, jump_us, left_us - cut_us, &one) && (!fits || one.u_g < level->u_g)) {
            *level = one;
            fits = true;
        }
    }
    return fits;
}

/* The median of what the last jumps said, each for as much as it is worth: one that was disturbed does no harm. */
static void take_lag(struct signal *signal, double lag_s, double share)
{
    struct lag sorted[LAGS_KEPT];
    double whole = 0, part = 0;
    int n, i;

    signal->lag[signal->lag_count++ % LAGS_KEPT] =
        (struct lag){ (float)lag_s, (float)(1 / (share * share + LAG_LIKE_SHARE * LAG_LIKE_SHARE)) };
    n = signal->lag_count < LAGS_KEPT ? signal->lag_count : LAGS_KEPT;
    memcpy(sorted, signal->lag, sizeof sorted);
    qsort(sorted, (size_t)n, sizeof *sorted, by_lag);
    for (i = 0; i < n; i++)
        whole += (double)sorted[i].weight;
    for (i = 0; i < n - 1 && (part += (double)sorted[i].weight) < whole / 2; i++)
        ;
    signal->lag_learnt_s = (double)sorted[i].lag_s;
}

void signal_learn_lag(struct signal *signal, int64_t rested_us, int64_t until_us)
{
    struct level level;

    if (signal->lag_s > 0 || signal->jump_g < JUMP_LEAST_G || signal->jump_g > JUMP_MOST_G)
        return;
    signal->lag_jumps++;
    if (fit_level(signal, rested_us, until_us, UNKNOWN_SHARE, &level) && level.count > POINTS_LEAST
        && level.pole_share < LEARN_LEAST_SHARE)
        take_lag(signal, 2 * level.pole_s, level.pole_share);
}

double level_at(const struct level *level, int64_t at_us)
{
    double t = (double)(at_us - level->from_us) / 1e6 / level->pole_s;

    return level->level_g + (level->a_g + level->b_g * t) * exp(-t);
}
