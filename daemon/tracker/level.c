/* Least squares of level + (a + b t/p) exp(-t/p), which is what two poles of p leave behind whatever the hand did. */
#include "level.h"

#include <math.h>

/* A level is read from so much time at most: longer is only drift. */
static const int64_t LEVEL_US = 3000000;

/* One indication's standard deviation: rounding and the converter; what rounding leaves in a mean. */
static const double SIGMA_DIVISIONS = 0.35, CONVERTER_G = 0.02, MEAN_DIVISIONS = 0.12;

/* What a tail may still hold of a jump when the hand has done. */
static const double TAIL_SHARE = 0.5;

/* What the filter undone is off by, of a jump, where its lag is known as badly as that. */
static const double CLEAR_SHARE = 0.03;

static double determinant(double a, double b, double c, double d)
{
    return a * d - b * c;
}

struct level level_fit(const struct weighing *weighing, const struct filter *filter, uint32_t from, uint32_t to,
                       int64_t moved_us, double moved_g)
{
    double pole_s = filter_tail_s(filter), doubt = filter_doubt(filter);
    double sigma_g = hypot(SIGMA_DIVISIONS * weighing->resolution_g, CONVERTER_G);
    double tail_g = fmax(TAIL_SHARE * fabs(moved_g), sigma_g), firm = 1 / (tail_g * tail_g);
    double m[3][3] = { { 0 }, { 0, firm, 0 }, { 0, 0, firm } }, g[3] = { 0 }, det, inverse;
    double reference_g = (double)weighing_sample(weighing, to - 1)->load_g;
    int64_t until_us = weighing_sample(weighing, to - 1)->at_us;
    double n = 0, clear_g = 0, low_g = INFINITY, high_g = -INFINITY, spread_g;
    struct level level;

    for (uint32_t i = to; i-- > from;) {
        const struct sample *sample = weighing_sample(weighing, i);
        double t = fmax(0, (double)(sample->at_us - moved_us) / 1e6 / pole_s), e = exp(-t), off_g, w;
        double basis[3] = { 1, e, e * t };

        if (until_us - sample->at_us > LEVEL_US)
            break;
        n++;
        clear_g += (double)sample->clear_g;
        low_g = fmin(low_g, (double)sample->clear_g);
        high_g = fmax(high_g, (double)sample->clear_g);
        off_g = doubt * fabs(moved_g) * t * t * e; /* of a tail whose time is not known better */
        w = 1 / (sigma_g * sigma_g + off_g * off_g);
        for (int j = 0; j < 3; j++) {
            for (int k = 0; k < 3; k++)
                m[j][k] += w * basis[j] * basis[k];
            g[j] += w * basis[j] * ((double)sample->load_g - reference_g);
        }
    }
    spread_g = fmax(high_g - low_g, sigma_g) + CLEAR_SHARE * doubt * fabs(moved_g);
    m[0][0] += 1 / (spread_g * spread_g); /* where the filter undone leads, as far as that is steady */
    g[0] += (clear_g / n - reference_g) / (spread_g * spread_g);
    det = m[0][0] * determinant(m[1][1], m[1][2], m[2][1], m[2][2])
          - m[0][1] * determinant(m[1][0], m[1][2], m[2][0], m[2][2])
          + m[0][2] * determinant(m[1][0], m[1][1], m[2][0], m[2][1]);
    inverse = determinant(m[1][1], m[1][2], m[2][1], m[2][2]) / det;
    level.g =
        reference_g
        + (g[0] * determinant(m[1][1], m[1][2], m[2][1], m[2][2]) - m[0][1] * determinant(g[1], m[1][2], g[2], m[2][2])
           + m[0][2] * determinant(g[1], m[1][1], g[2], m[2][1]))
              / det;
    level.u_g = sqrt(inverse + pow(MEAN_DIVISIONS * weighing->resolution_g, 2));
    return level;
}

double level_age_s(int64_t begin_us, int64_t end_us)
{
    return fmin(seconds(begin_us, end_us), (double)LEVEL_US / 1e6) / 2;
}
