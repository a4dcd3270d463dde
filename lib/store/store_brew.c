/* Which brew of the store is meant; see store.h. */
#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "store_sql.h"

int store_brew_named(struct store *store, const char *ending, char *out, struct why *why)
{
    static const char sql[] = "SELECT name FROM brew WHERE name = ?1 OR substr(name, -length(?1)) = ?1"
                              " ORDER BY name <> ?1, began_us DESC LIMIT 2";
    char found[2][BREW_SIZE] = { "", "" };
    sqlite3_stmt *row = NULL;
    int count = 0, code = sqlite3_prepare_v2(store_database(store), sql, -1, &row, NULL);

    if (!*ending)
        code = SQLITE_DONE;
    if (code == SQLITE_OK && (code = sqlite3_bind_text(row, 1, ending, -1, SQLITE_STATIC)) == SQLITE_OK)
        while ((code = sqlite3_step(row)) == SQLITE_ROW && count < 2) {
            const char *name = (const char *)sqlite3_column_text(row, 0);

            snprintf(found[count++], BREW_SIZE, "%s", name ? name : "");
        }
    sqlite3_finalize(row);
    if (code != SQLITE_DONE && code != SQLITE_ROW)
        return store_failed_at(store, "looking for a brew", why);
    if (count == 0)
        return why_set(why, -ENOENT, "%s: there is no brew %.60s", store_path(store), ending);
    if (count == 2 && strcmp(found[0], ending) != 0)
        return why_set(why, -EEXIST, "%s: %s and %s both end in \"%.60s\": name more of the one you mean",
                       store_path(store), found[0], found[1], ending);
    strcpy(out, found[0]);
    return 0;
}
