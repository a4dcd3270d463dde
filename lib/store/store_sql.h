/* SQLite as the store and the record ask it: statements run, and failures in words. */
#ifndef POISE_STORE_SQL_H
#define POISE_STORE_SQL_H

#include "poise/store.h"

/* A sentence and a negative errno for its latest failure. */
int store_failed(sqlite3 *database, const char *path, const char *doing, struct why *why);

/* The same of an open store. */
int store_failed_at(struct store *store, const char *doing, struct why *why);

/* As it was named to store_open. */
const char *store_path(const struct store *store);

/* Runs a statement that returns no rows: 0 or -1; one that returns a number: that, or 0. */
int store_done(sqlite3_stmt *statement);
int64_t store_found(sqlite3_stmt *statement);

/* The text must outlive the statement's run; empty words are NULL. */
void store_bind_name(sqlite3_stmt *statement, int place, const char *name);
void store_bind_words(sqlite3_stmt *statement, int place, const char *words);

#endif
