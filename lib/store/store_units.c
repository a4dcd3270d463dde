/* In which units each bench shows its numbers; see poise/store.h. */
#include "store_sql.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

int store_keep_units(struct store *store, const char *bench, const json_t *units, struct why *why)
{
    static const char sql[] = "INSERT INTO bench (name, units) VALUES (?1, ?2) ON CONFLICT (name)"
                              " DO UPDATE SET units = excluded.units WHERE units IS NOT excluded.units";
    char *text = json_is_object(units) ? json_dumps(units, JSON_COMPACT | JSON_SORT_KEYS) : NULL;
    sqlite3_stmt *statement = NULL;
    int code;

    if (!text)
        return why_set(why, -EINVAL, "%s: its state names no units", bench);
    code = sqlite3_prepare_v2(store_database(store), sql, -1, &statement, NULL);
    if (code == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, bench, -1, SQLITE_STATIC);
        sqlite3_bind_text(statement, 2, text, -1, SQLITE_STATIC);
        sqlite3_step(statement);
        code = sqlite3_finalize(statement);
    }
    free(text);
    return code == SQLITE_OK ? 0 : store_failed_at(store, "saving the bench's units", why);
}

struct guide_units store_units(struct store *store)
{
    static const struct guide_units usual = { GUIDE_KPA, false };
    struct guide_units units = usual;
    sqlite3_stmt *statement = NULL; /* none of a version that has no such column */
    bool differ = false;

    sqlite3_prepare_v2(store_database(store), "SELECT units FROM bench WHERE units IS NOT NULL", -1, &statement, NULL);
    for (int i = 0; sqlite3_step(statement) == SQLITE_ROW; i++) {
        const char *text = (const char *)sqlite3_column_text(statement, 0);
        json_t *json = text ? json_loads(text, 0, NULL) : NULL;
        struct guide_units its = usual;

        guide_units_read(json, &its);
        json_decref(json);
        differ = differ || (i > 0 && (its.pressure != units.pressure || its.fahrenheit != units.fahrenheit));
        units = its;
    }
    sqlite3_finalize(statement);
    return differ ? usual : units;
}
