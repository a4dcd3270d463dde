/* Earlier cups out of the store; see poise/view.h. */
#include "poise/view.h"

#include <errno.h>
#include <math.h>

#include "poise/bend.h"
#include "poise/store_curve.h"

static const double FINAL = 0.95; /* poise-report's usual --share */

/* What the run varies, or holds, as messages carry it.  NULL: memory is short. */
static json_t *settings_of(const struct guide_run *run, bool varied)
{
    json_t *factors = json_object();

    for (int i = 0; factors && i < run->settings; i++) {
        const struct guide_setting *setting = &run->setting[i];

        if (setting->varied == varied
            && json_object_set_new(factors, setting->name,
                                   isnan(setting->number) ? json_string(setting->word) : json_real(setting->number))
                   < 0) {
            json_decref(factors);
            return NULL;
        }
    }
    return factors;
}

/* No curve is no failure: the run does not vary the steep, or its cups do not show one yet. */
static int read_one(struct store *store, const struct guide_run *run, struct bend *out, struct why *why)
{
    json_t *factors = settings_of(run, true), *held = settings_of(run, false);
    struct store_curve curve;
    struct why ignored;
    int error;

    error = factors && held ? store_curve_read(store, run->experiment, factors, held, &curve, why)
                            : why_set(why, -ENOMEM, "not enough memory for earlier cups");
    json_decref(factors);
    json_decref(held);
    if (error)
        return error == -EINVAL ? 0 : error;
    if (bend_of_cups(curve.t, curve.e, curve.level, curve.n, FINAL, out, &ignored) < 0)
        out->cups = 0;
    store_curve_free(&curve);
    return 0;
}

int view_history(struct view *model, const char *path, struct why *why)
{
    struct store *store;
    int error;

    for (int i = 0; i < model->stations; i++)
        model->station[i].curve.cups = 0;
    error = store_open(&store, path, STORE_READ, why);
    if (error)
        return error;
    for (int i = 0; i < model->stations && !error; i++)
        if (model->station[i].has_next)
            error = read_one(store, &model->station[i].next, &model->station[i].curve, why);
    store_close(store);
    return error;
}
