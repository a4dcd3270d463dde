/* An experiment's cups as a curve; see store_curve.h. */
#include "poise/store_curve.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "store_sql.h"

static const char TIME[] = "steep_s";

static bool same_value(const json_t *one, const json_t *other)
{
    if (json_is_number(one) && json_is_number(other))
        return json_number_value(one) == json_number_value(other);
    return json_equal(one, other);
}

/* Every factor of the one has the same value with the other, varied or held there; the steep time apart. */
static bool same_factors(json_t *factors, const json_t *others, const json_t *others_held)
{
    const char *name;
    json_t *value;

    json_object_foreach(factors, name, value)
    {
        const json_t *other = json_object_get(others, name);

        if (strcmp(name, TIME) != 0 && !same_value(value, other ? other : json_object_get(others_held, name)))
            return false;
    }
    return true;
}

double store_believable(sqlite3_stmt *row, int column, enum measure measure)
{
    int type = sqlite3_column_type(row, column);
    double value = type == SQLITE_FLOAT || type == SQLITE_INTEGER ? sqlite3_column_double(row, column) : (double)NAN;
    bool mass = measure == MEASURE_DOSE_G || measure == MEASURE_WATER_G || measure == MEASURE_BEVERAGE_G;

    if (mass && !(value > 0)) /* nothing is brewed of nothing */
        return NAN;
    return value >= measure_least(measure) && value <= measure_most(measure) ? value : (double)NAN;
}

static json_t *object_of(sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);

    return text ? json_loads(text, JSON_REJECT_DUPLICATES, NULL) : NULL;
}

/* What both plans hold they hold alike. */
static bool same_held(const json_t *held, const json_t *others_held)
{
    const char *name;
    json_t *value;

    json_object_foreach((json_t *)held, name, value)
    {
        const json_t *other = json_object_get(others_held, name);

        if (other && !same_value(value, other))
            return false;
    }
    return true;
}

/* Adds a cup when it is one of the curve.  0 or -ENOMEM. */
static int take_cup(sqlite3_stmt *row, json_t *factors, const json_t *held, struct store_curve *curve, double **planned)
{
    json_t *others = object_of(row, 0), *others_held = object_of(row, 3);
    double planned_s = json_number_value(json_object_get(others, TIME)), steep_s, extraction_pct;
    bool same = json_is_number(json_object_get(others, TIME)) && same_factors(factors, others, others_held)
                && same_factors(others, factors, held) && same_held(held, others_held);
    size_t size = (curve->n + 1) * sizeof(double);
    int *level;
    double **const columns[] = { &curve->t, &curve->e, planned };

    json_decref(others);
    json_decref(others_held);
    steep_s = store_believable(row, 1, MEASURE_STEEP_S);
    extraction_pct = store_believable(row, 2, MEASURE_EXTRACTION_PCT);
    if (!same || isnan(extraction_pct))
        return 0;
    for (size_t i = 0; i < sizeof columns / sizeof *columns; i++) {
        double *more = realloc(*columns[i], size);

        if (!more)
            return -ENOMEM;
        *columns[i] = more;
    }
    level = realloc(curve->level, (curve->n + 1) * sizeof *level);
    if (!level)
        return -ENOMEM;
    curve->level = level;
    level[curve->n] = curve->times;
    for (size_t i = 0; i < curve->n; i++)
        if ((*planned)[i] == planned_s) {
            level[curve->n] = level[i];
            break;
        }
    curve->times += level[curve->n] == curve->times;
    (*planned)[curve->n] = planned_s;
    curve->t[curve->n] = isnan(steep_s) ? planned_s : steep_s;
    curve->e[curve->n++] = extraction_pct;
    return 0;
}

int store_curve_read(struct store *store, const char *experiment, json_t *factors, const json_t *held,
                     struct store_curve *out, struct why *why)
{
    static const char sql[] = "SELECT factors, steep_s, extraction_pct, recipe FROM brew_summary WHERE experiment = ?1"
                              " AND ended_utc IS NOT NULL AND plan_kept IS NOT 0 AND extraction_pct IS NOT NULL"
                              " ORDER BY began_utc, brew";
    struct store_curve curve = { .n = 0 };
    sqlite3_stmt *statement = NULL;
    double *planned = NULL;
    int code, error = 0;

    if (!json_is_number(json_object_get(factors, TIME)))
        return why_set(why, -EINVAL, "%s does not vary the steep time: no curve against it", experiment);
    code = sqlite3_prepare_v2(store_database(store), sql, -1, &statement, NULL);
    if (code == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, experiment, -1, SQLITE_STATIC);
        while (!error && (code = sqlite3_step(statement)) == SQLITE_ROW)
            error = take_cup(statement, factors, held, &curve, &planned);
    }
    if (error)
        error = why_set(why, error, "not enough memory for the cups of %s", experiment);
    else if (code != SQLITE_DONE)
        error = store_failed_at(store, "reading earlier cups", why);
    sqlite3_finalize(statement);
    free(planned);
    if (error)
        store_curve_free(&curve);
    else
        *out = curve;
    return error;
}

void store_curve_free(struct store_curve *curve)
{
    free(curve->t);
    free(curve->e);
    free(curve->level);
    memset(curve, 0, sizeof *curve);
}
