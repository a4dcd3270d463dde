/* The scale: what filter, converter, tare key, display and wire make of a load.  See model.h. */
#include "model.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STABLE_S 0.5         /* within one division for so long is stable (common practice, no source) */
#define OVERLOAD_DIVISIONS 9 /* shown beyond capacity before it gives up (common practice, no source) */

static const char *const layout_names[MODEL_LAYOUTS] = { "header", "plain", "bare", "stx-status", "stx-letter" };

const char *model_layout_name(enum model_layout layout)
{
    return layout_names[layout];
}

int model_layout_find(const char *name)
{
    for (int layout = 0; layout < MODEL_LAYOUTS; layout++)
        if (strcmp(layout_names[layout], name) == 0)
            return layout;
    return -1;
}

int model_scale_begin(struct model_scale *scale, const struct model_scale_settings *settings, unsigned long seed)
{
    memset(scale, 0, sizeof *scale);
    scale->random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!scale->random)
        return -1;
    gsl_rng_set(scale->random, seed);
    scale->settings = *settings;
    scale->next_s = gsl_rng_uniform(scale->random) / settings->rate_hz;
    return 0;
}

void model_scale_end(struct model_scale *scale)
{
    gsl_rng_free(scale->random);
    scale->random = NULL;
}

void model_scale_tare(struct model_scale *scale)
{
    scale->tare_g = scale->pole[1];
    scale->net = true;
    scale->remembered = 0;
}

static bool is_stable(struct model_scale *scale, double shown_g)
{
    int wanted = (int)ceil(STABLE_S * scale->settings.rate_hz) + 1;
    double least = shown_g, most = shown_g;

    if (wanted > MODEL_MEMORY)
        wanted = MODEL_MEMORY;
    memmove(scale->memory + 1, scale->memory, (MODEL_MEMORY - 1) * sizeof *scale->memory);
    scale->memory[0] = shown_g;
    if (scale->remembered < MODEL_MEMORY)
        scale->remembered++;
    for (int i = 0; i < wanted && i < scale->remembered; i++) {
        least = fmin(least, scale->memory[i]);
        most = fmax(most, scale->memory[i]);
    }
    return scale->remembered >= wanted && most - least < 1.5 * scale->settings.division_g;
}

bool model_scale_step(struct model_scale *scale, double now_s, double load_g, struct model_indication *out)
{
    const struct model_scale_settings *settings = &scale->settings;
    double follow = settings->lag_s > 0 ? 1 - exp(-MODEL_STEP_S / (settings->lag_s / 2)) : 1;
    double gross_g, limit_g = settings->capacity_g + OVERLOAD_DIVISIONS * settings->division_g;

    /* The cell itself stops at twice its capacity: the frame bears the rest. */
    load_g = fmin(load_g, 2 * settings->capacity_g);
    scale->pole[0] += follow * (load_g - scale->pole[0]);
    scale->pole[1] += follow * (scale->pole[0] - scale->pole[1]);
    if (now_s < scale->next_s)
        return false;
    scale->next_s += 1 / settings->rate_hz;
    gross_g = scale->pole[1] + gsl_ran_gaussian(scale->random, settings->noise_g);
    if (settings->jitter_s > 0)
        now_s += gsl_ran_exponential(scale->random, settings->jitter_s);
    if (settings->bunch_s > 0)
        now_s = ceil(now_s / settings->bunch_s) * settings->bunch_s;
    scale->last_s = fmax(now_s, scale->last_s + 1e-4); /* bytes do not overtake each other */
    out->at_s = scale->last_s;
    out->net = scale->net;
    out->status = gross_g > limit_g ? MODEL_OVERLOAD : MODEL_OK;
    out->shown_g = round((gross_g - scale->tare_g) / settings->division_g) * settings->division_g;
    out->stable = is_stable(scale, out->shown_g) && out->status == MODEL_OK;
    return true;
}

static int decimals_of(double division_g)
{
    int decimals = 0;

    while (decimals < 3 && division_g < 0.999) {
        division_g *= 10;
        decimals++;
    }
    return decimals;
}

/* STX A B C, six digits, six of the tare, CR, and the seven-bit sum that makes all of it zero.
 * A: place of the point in the low three bits (2 is none), increment by 1; B: net, negative, over, moving;
 * C: grams. */
static int stx_status_line(const struct model_indication *indication, int decimals, char *out)
{
    long digits = lround(fabs(indication->shown_g) * pow(10, decimals));
    unsigned sum = 0;
    int length;

    out[0] = 0x02;
    out[1] = (char)(0x28 | (2 + decimals));
    out[2] = (char)(0x20 | (indication->net ? 1 : 0) | (indication->shown_g < 0 && digits ? 2 : 0)
                    | (indication->status == MODEL_OVERLOAD ? 4 : 0) | (indication->stable ? 0 : 8));
    out[3] = 0x21;
    length = 4
             + snprintf(out + 4, MODEL_LINE - 4, "%6ld000000\r",
                        indication->status == MODEL_OVERLOAD || digits > 999999 ? 999999 : digits);
    for (int i = 0; i < length; i++)
        sum += (unsigned char)out[i];
    out[length++] = (char)((0x80 - (sum & 0x7F)) & 0x7F);
    return length;
}

int model_scale_line(const struct model_scale *scale, const struct model_indication *indication, char out[MODEL_LINE])
{
    int decimals = decimals_of(scale->settings.division_g);
    bool over = indication->status == MODEL_OVERLOAD;
    double shown_g = indication->shown_g;

    if (fabs(shown_g) < scale->settings.division_g / 2)
        shown_g = 0; /* no "-0.0" */
    switch (scale->settings.layout) {
    case MODEL_HEADER:
        if (over)
            return snprintf(out, MODEL_LINE, "OL,%s,+------- g\r\n", indication->net ? "NT" : "GS");
        return snprintf(out, MODEL_LINE, "%s,%s,%c%7.*f g\r\n", indication->stable ? "ST" : "US",
                        indication->net ? "NT" : "GS", shown_g < 0 ? '-' : '+', decimals, fabs(shown_g));
    case MODEL_PLAIN:
        if (over)
            return snprintf(out, MODEL_LINE, "       H      \r\n");
        return snprintf(out, MODEL_LINE, "%10.*f g    %c\r\n", decimals, shown_g, indication->stable ? ' ' : '?');
    case MODEL_BARE:
        if (over)
            return snprintf(out, MODEL_LINE, "  --oL--\r\n");
        return snprintf(out, MODEL_LINE, "%.*f\r\n", decimals, shown_g);
    case MODEL_STX_STATUS:
        return stx_status_line(indication, decimals, out);
    default:
        if (over)
            return snprintf(out, MODEL_LINE, "\x02        O\x03");
        return snprintf(out, MODEL_LINE, "\x02%c%7.*f%c\x03", shown_g < 0 ? '-' : ' ', decimals, fabs(shown_g),
                        indication->net ? 'N' : 'G');
    }
}

int model_scale_damage(struct model_scale *scale, char line[MODEL_LINE], int length)
{
    double luck = gsl_rng_uniform(scale->random);
    int at = (int)gsl_rng_uniform_int(scale->random, (unsigned long)length);

    if (luck < scale->settings.lost)
        return 0;
    if (luck > scale->settings.lost + scale->settings.damaged)
        return length;
    switch (gsl_rng_uniform_int(scale->random, 4)) {
    case 0: /* a byte is lost */
        memmove(line + at, line + at + 1, (size_t)(length - at - 1));
        return length - 1;
    case 1: /* a bit is turned over */
        line[at] = (char)(line[at] ^ 1 << gsl_rng_uniform_int(scale->random, 8));
        return length;
    case 2: /* its end is lost: what follows joins it */
        return at;
    default: { /* noise in front, short enough for the line to stay a line */
        int noise = 1 + (int)gsl_rng_uniform_int(scale->random, 40);

        if (length + noise > MODEL_LINE)
            noise = MODEL_LINE - length;
        memmove(line + noise, line, (size_t)length);
        for (int i = 0; i < noise; i++)
            line[i] = (char)gsl_rng_uniform_int(scale->random, 256);
        return length + noise;
    }
    }
}

int model_run(const struct model_script *script, unsigned long seed, const struct model_scale_settings *settings,
              int scale_count, model_indicated *indicated, void *context, struct model_truth *truth)
{
    struct model *model = malloc(sizeof *model);
    struct model_scale scale[MODEL_SCALES] = { 0 };
    struct model_indication indication;
    char line[MODEL_LINE];
    int result = -1;

    if (truth)
        truth->tare_count = 0;
    if (!model || model_begin(model, script, seed) < 0) {
        free(model);
        return -1;
    }
    for (int i = 0; i < scale_count; i++)
        if (model_scale_begin(&scale[i], &settings[i], seed + 1 + (unsigned long)i) < 0)
            goto out;
    while (!model->done) {
        model_step(model, false);
        if (truth && model->tare_key[0])
            *truth = model->truth;
        for (int i = 0; i < scale_count; i++) {
            if (model->tare_key[i])
                model_scale_tare(&scale[i]);
            if (model_scale_step(&scale[i], model->now_s, model->load_g[i], &indication)) {
                int length = model_scale_line(&scale[i], &indication, line);

                indicated(context, i, &indication, line, model_scale_damage(&scale[i], line, length));
            }
        }
    }
    if (truth)
        *truth = model->truth;
    result = 0;
out:
    for (int i = 0; i < scale_count; i++)
        if (scale[i].random)
            model_scale_end(&scale[i]);
    model_end(model);
    free(model);
    return result;
}
