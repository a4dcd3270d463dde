/* The record of a tasting: chained, checked, added to; see tasting_record.h. */
#include "poise/tasting_record.h"

#include <errno.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/clock.h"

/* ---- hashes ---- */

/* A field as length and bytes, so that no two rows of fields have the same text. */
static void feed(crypto_hash_sha256_state *state, const char *text)
{
    char length[24];

    crypto_hash_sha256_update(state, (const unsigned char *)length,
                              (unsigned long long)snprintf(length, sizeof length, "%zu:", strlen(text)));
    crypto_hash_sha256_update(state, (const unsigned char *)text, strlen(text));
    crypto_hash_sha256_update(state, (const unsigned char *)",", 1);
}

static void feed_number(crypto_hash_sha256_state *state, int64_t number)
{
    char text[24];

    snprintf(text, sizeof text, "%lld", (long long)number);
    feed(state, text);
}

static void finish_hash(crypto_hash_sha256_state *state, char out[TASTING_SEAL_SIZE])
{
    unsigned char hash[crypto_hash_sha256_BYTES];

    crypto_hash_sha256_final(state, hash);
    sodium_bin2hex(out, TASTING_SEAL_SIZE, hash, sizeof hash);
}

/* Where the chain begins: all of the row that stays. */
static void hash_row(const struct store_tasting_row *row, char out[TASTING_SEAL_SIZE])
{
    crypto_hash_sha256_state state;

    crypto_hash_sha256_init(&state);
    feed(&state, row->name);
    feed(&state, row->text);
    feed(&state, row->seal);
    feed(&state, row->lock);
    finish_hash(&state, out);
}

static void hash_entry(const char *last, const struct store_tasting_entry *entry, char out[TASTING_SEAL_SIZE])
{
    crypto_hash_sha256_state state;

    crypto_hash_sha256_init(&state);
    feed(&state, last);
    feed_number(&state, entry->number);
    feed_number(&state, entry->time_us);
    feed(&state, entry->kind);
    feed(&state, entry->who);
    feed_number(&state, entry->set);
    feed(&state, entry->answer);
    feed_number(&state, entry->sure);
    feed(&state, entry->text);
    finish_hash(&state, out);
}

/* The proof of an entry by the chain's key of the moment (HMAC-SHA-256, RFC 2104), and the key after it. */
static void prove(const char *key, const char *hash, char proof[TASTING_SEAL_SIZE], char next[TASTING_SEAL_SIZE])
{
    unsigned char mac[crypto_auth_hmacsha256_BYTES];
    crypto_auth_hmacsha256_state state;

    crypto_auth_hmacsha256_init(&state, (const unsigned char *)key, strlen(key));
    crypto_auth_hmacsha256_update(&state, (const unsigned char *)hash, strlen(hash));
    crypto_auth_hmacsha256_final(&state, mac);
    sodium_bin2hex(proof, TASTING_SEAL_SIZE, mac, sizeof mac);
    tasting_seal(key, next);
}

/* The row's ratchet: how many entries there are, a blank, and the chain's key for the next. */
static const char *ratchet_key(const struct store_tasting_row *row)
{
    const char *blank = strchr(row->ratchet, ' ');

    return blank ? blank + 1 : "";
}

/* ---- checking ---- */

/* Every hash, and that nothing is missing between. */
static int check_chain(struct tasting_record *record, struct why *why)
{
    char last[TASTING_SEAL_SIZE], hash[TASTING_SEAL_SIZE];

    if (record->entries == 0)
        return why_set(why, -EBADF, "%s: its record is missing: somebody removed it", record->row.name);
    hash_row(&record->row, last);
    for (int i = 0; i < record->entries; i++) {
        const struct store_tasting_entry *entry = &record->entry[i];

        if (entry->number != i)
            return why_set(why, -EBADF, "%s: entry %d of its record is missing or was put in: somebody changed it",
                           record->row.name, i);
        hash_entry(last, entry, hash);
        if (strcmp(hash, entry->hash) != 0)
            return why_set(why, -EBADF,
                           i == 0 ? "%s: its text, seal, lock or first entry was changed after it was sealed"
                                  : "%s: entry %d of its record (%s%s%s) or the one before was changed after it was "
                                    "written",
                           record->row.name, i, entry->kind, *entry->who ? " of " : "", entry->who);
        memcpy(last, hash, sizeof last);
    }
    memcpy(record->head, last, sizeof last);
    if (atoi(record->row.ratchet) != record->entries)
        return why_set(why, -EBADF, "%s: its record was cut short, or its count changed", record->row.name);
    return 0;
}

/* Every proof from the first key on, and that the row holds the key after the last. */
static int check_proofs(const struct tasting_record *record, const char *first_key, struct why *why)
{
    char key[TASTING_SEAL_SIZE], proof[TASTING_SEAL_SIZE], next[TASTING_SEAL_SIZE];

    snprintf(key, sizeof key, "%s", first_key);
    for (int i = 0; i < record->entries; i++) {
        prove(key, record->entry[i].hash, proof, next);
        if (strcmp(proof, record->entry[i].proof) != 0)
            return why_set(
                why, -EBADF, "%s: entry %d of its record (%s%s%s) was made up by somebody who had not the chain's key",
                record->row.name, i, record->entry[i].kind, *record->entry[i].who ? " of " : "", record->entry[i].who);
        memcpy(key, next, sizeof key);
    }
    if (strcmp(key, ratchet_key(&record->row)) != 0)
        return why_set(why, -EBADF, "%s: its record was cut short, or the chain's key was changed", record->row.name);
    return 0;
}

/* The sealed text against seal, row and proofs; into `session` when all fits. */
static int check_sealed(const struct tasting_record *record, const char *sealed, struct tasting_session *session,
                        struct why *why)
{
    char seal[TASTING_SEAL_SIZE], differs[256];
    int error;

    tasting_seal(sealed, seal);
    if (tasting_text_differs(record->row.text, sealed, differs, sizeof differs))
        return why_set(why, -EBADF, "%s differs from what was sealed: %s", record->row.name, differs);
    if (strcmp(seal, record->row.seal) != 0)
        return why_set(why, -EBADF,
                       "%s: the key does not match its seal: one of them was changed, so this tasting "
                       "shows nothing",
                       record->row.name);
    error = tasting_text_read(sealed, session, why);
    if (error)
        return why_prefix(why, -EBADF, "%s: ", record->row.name);
    return check_proofs(record, session->chain, why);
}

static bool answers(const char *kind)
{
    return strcmp(kind, KIND_ANSWER) == 0 || strcmp(kind, KIND_WARM_UP) == 0;
}

/* What an answer may be: of a set there is, by its taster, once, readable. */
static int check_answer(const struct tasting_record *record, int number, struct why *why)
{
    const struct store_tasting_entry *entry = &record->entry[number];
    const struct tasting_session *session = &record->session;
    int place[TASTING_CUPS];

    if (entry->set < 1 || entry->set > session->sets)
        return why_set(why, -EBADF, "%s: entry %d does not belong to it: it has no set %d", session->name, number,
                       entry->set);
    if (strcmp(entry->who, session->taster[session->of[entry->set - 1].taster]) != 0
        || session->of[entry->set - 1].warm_up != (strcmp(entry->kind, KIND_WARM_UP) == 0)
        || tasting_answer_read(session->method, &session->set[entry->set - 1], entry->answer, place, why) < 0)
        return why_set(why, -EBADF, "%s: entry %d, the answer to set %d, is damaged", session->name, number,
                       entry->set);
    for (int i = 0; i < number; i++)
        if (answers(record->entry[i].kind) && record->entry[i].set == entry->set)
            return why_set(why, -EBADF, "%s: set %d has two answers: somebody changed its record", session->name,
                           entry->set);
    return 0;
}

/* What the entries come to. */
static int take_stock(struct tasting_record *record, struct why *why)
{
    const char *last = record->entry[0].hash;
    int error = 0;

    for (int i = 0; i < record->entries && !error; i++) {
        const struct store_tasting_entry *entry = &record->entry[i];

        if (record->opened_us)
            return why_set(why, -EBADF, "%s: entry %d was put in after the key was opened: its record was changed",
                           record->row.name, i);
        if (answers(entry->kind)) {
            error = check_answer(record, i, why);
            record->answered += strcmp(entry->kind, KIND_ANSWER) == 0;
            record->warmed_up += strcmp(entry->kind, KIND_WARM_UP) == 0;
        } else if (strcmp(entry->kind, KIND_LOOK) == 0) {
            record->stopped |= strstr(entry->text, "stop") != NULL;
        } else if (strcmp(entry->kind, KIND_OPENED) == 0) {
            record->opened_us = entry->time_us;
            record->early = entry->sure == 1;
            record->noted = strcmp(entry->answer, "noted") == 0;
            continue;
        }
        last = entry->hash;
    }
    memcpy(record->answers_head, last, TASTING_SEAL_SIZE);
    return error;
}

/* Alone, the cups are known from the letters found underneath. */
static int take_underneath(struct tasting_record *record, struct why *why)
{
    struct tasting_session *session = &record->session;
    int known = 0;

    for (int i = 0; i < record->entries; i++) {
        const struct store_tasting_entry *entry = &record->entry[i];
        struct tasting_set *set;

        if (strcmp(entry->kind, KIND_UNDERNEATH) != 0 || entry->set < 1 || entry->set > session->sets)
            continue;
        set = &session->set[entry->set - 1];
        for (int cup = 0; cup < set->cups; cup++)
            set->sample[cup] = (unsigned char)(entry->answer[cup] - 'A');
        set->reference = session->method == TASTING_DUO_TRIO || session->method == TASTING_DEGREE ? 0 : -1;
        if ((int)strlen(entry->answer) != set->cups
            || !tasting_set_possible(session->method, session->sample_count, set))
            return why_set(why, -EBADF, "%s: entry %d, the letters underneath set %d, is damaged", session->name, i,
                           entry->set);
        known++;
    }
    session->open = session->alone ? known == session->sets : session->open;
    return 0;
}

/* All that can be checked of a record whose row and entries are there. */
static int check(struct tasting_record *record, struct why *why)
{
    struct tasting_session *sealed;
    int error = check_chain(record, why);

    if (!error && (error = tasting_text_read(record->row.text, &record->session, why)) != 0)
        error = why_prefix(why, -EBADF, "%s: ", record->row.name);
    if (!error && strcmp(record->session.name, record->row.name) != 0)
        error = why_set(why, -EBADF, "%s differs from what was sealed: its text is that of '%s'", record->row.name,
                        record->session.name);
    if (!error)
        error = take_stock(record, why);
    if (!error && record->opened_us) {
        sealed = malloc(sizeof *sealed);
        if (!sealed)
            return why_set(why, -ENOMEM, "not enough memory");
        error = check_sealed(record, record->entry[record->entries - 1].text, sealed, why);
        if (!error)
            record->session = *sealed;
        free(sealed);
    }
    return error ? error : take_underneath(record, why);
}

int tasting_record_load(struct store *store, const char *name, struct tasting_record *out, struct why *why)
{
    int error;

    memset(out, 0, sizeof *out);
    error = store_tasting_read(store, name, &out->row, why);
    if (error)
        return error;
    out->entries = store_tasting_entries(store, name, &out->entry, why);
    error = out->entries;
    if (out->entries >= 0)
        error = check(out, why);
    else
        out->entries = 0;
    if (error)
        tasting_record_free(out);
    return error;
}

void tasting_record_free(struct tasting_record *record)
{
    store_tasting_row_free(&record->row);
    store_tasting_entries_free(record->entry, record->entries);
    record->entry = NULL;
    record->entries = 0;
}

int tasting_record_unlock(struct tasting_record *record, const char *word, const char *key_file,
                          char sealed[TASTING_TEXT_SIZE], struct why *why)
{
    struct tasting_session *session;
    int error = tasting_locked_in_file(record->row.lock) ? tasting_key_file_read(key_file, sealed, why)
                                                         : tasting_unlock(record->row.lock, word, sealed, why);

    if (error)
        return error;
    session = malloc(sizeof *session);
    if (!session)
        return why_set(why, -ENOMEM, "not enough memory");
    error = check_sealed(record, sealed, session, why);
    if (!error) {
        record->session = *session;
        error = take_underneath(record, why);
    }
    free(session);
    return error;
}

const struct store_tasting_entry *tasting_record_answer(const struct tasting_record *record, int set)
{
    for (int i = 0; i < record->entries; i++)
        if (answers(record->entry[i].kind) && record->entry[i].set == set)
            return &record->entry[i];
    return NULL;
}

bool tasting_record_saw(const struct tasting_record *record, const char *taster, int set)
{
    for (int i = 0; i < record->entries; i++) {
        if (strcmp(record->entry[i].kind, KIND_LOOKED) == 0 && strcasecmp(record->entry[i].who, taster) == 0)
            return true;
        if (answers(record->entry[i].kind) && record->entry[i].set == set)
            return false;
    }
    return false;
}

/* ---- writing ---- */

/* The next entry after `last`, hashed and proved with the row's key. */
static int append(struct store *store, const struct store_tasting_row *row, const char *last, int number,
                  const struct tasting_happening *happening, struct why *why)
{
    struct store_tasting_entry entry = {
        .number = number, .time_us = happening->time_us, .set = happening->set, .sure = happening->sure
    };
    char next[TASTING_SEAL_SIZE], ratchet[TASTING_SEAL_SIZE + 16];
    int error;

    snprintf(entry.kind, sizeof entry.kind, "%s", happening->kind);
    snprintf(entry.who, sizeof entry.who, "%s", happening->who ? happening->who : "");
    snprintf(entry.answer, sizeof entry.answer, "%s", happening->answer ? happening->answer : "");
    entry.text = strdup(happening->text ? happening->text : "");
    if (!entry.text)
        return why_set(why, -ENOMEM, "not enough memory");
    hash_entry(last, &entry, entry.hash);
    prove(ratchet_key(row), entry.hash, entry.proof, next);
    snprintf(ratchet, sizeof ratchet, "%d %s", number + 1, next);
    error = store_tasting_append(store, row->name, &entry, ratchet, why);
    free(entry.text);
    return error;
}

/* Why this may not happen now; checked inside the transaction. */
static int may_happen(const struct tasting_record *record, const struct tasting_happening *happening, struct why *why)
{
    if (record->opened_us)
        return why_set(why, -EROFS, "%s: the key has been opened: nothing counts after that", record->row.name);
    if (answers(happening->kind) && tasting_record_answer(record, happening->set))
        return why_set(why, -EEXIST, "set %d has been answered already (in another window perhaps); that answer stands",
                       happening->set);
    return 0;
}

int tasting_record_add(struct store *store, struct tasting_record *record, const struct tasting_happening *happening,
                       struct why *why)
{
    struct tasting_record fresh;
    int error = store_tasting_begin(store, why);

    if (error)
        return error;
    error = tasting_record_load(store, record->row.name, &fresh, why);
    if (error) {
        store_tasting_rollback(store);
        return error;
    }
    error = may_happen(&fresh, happening, why);
    if (!error)
        error = append(store, &fresh.row, fresh.head, fresh.entries, happening, why);
    tasting_record_free(&fresh);
    if (error) {
        store_tasting_rollback(store);
        return error;
    }
    error = store_tasting_commit(store, why);
    if (!error)
        error = tasting_record_load(store, record->row.name, &fresh, why);
    if (!error) {
        tasting_record_free(record);
        *record = fresh;
    }
    return error;
}

static void random_hex(char out[TASTING_SECRET_SIZE])
{
    unsigned char random[(TASTING_SECRET_SIZE - 1) / 2];

    randombytes_buf(random, sizeof random);
    sodium_bin2hex(out, TASTING_SECRET_SIZE, random, sizeof random);
}

/* The seal of the last tasting before this one, so that a whole tasting's removal shows. */
static int last_seal(const char *name, bool lost, void *context)
{
    if (!lost)
        snprintf(context, TASTING_NAME_SIZE, "%s", name);
    return 0;
}

static int find_before(struct store *store, char out[TASTING_SEAL_SIZE], struct why *why)
{
    char name[TASTING_NAME_SIZE] = "";
    struct store_tasting_row row;
    int error = store_tasting_names(store, last_seal, name, why);

    if (error || !*name)
        return error;
    error = store_tasting_read(store, name, &row, why);
    if (error)
        return error;
    snprintf(out, TASTING_SEAL_SIZE, "%s", row.seal);
    store_tasting_row_free(&row);
    return 0;
}

struct texts {
    char open[TASTING_TEXT_SIZE], sealed[TASTING_TEXT_SIZE], lock[TASTING_LOCK_SIZE];
};

static int make_texts(const struct tasting_session *session, const char *word, struct texts *texts, struct why *why)
{
    if (tasting_text_write(session, false, texts->open) < 0 || tasting_text_write(session, true, texts->sealed) < 0)
        return why_set(why, -ENOSPC, "the tasting is too long to keep: fewer sets, or shorter names");
    if (word)
        return tasting_lock(texts->sealed, word, texts->lock, why);
    snprintf(texts->lock, sizeof texts->lock, "%s", tasting_lock_in_file);
    return 0;
}

static int write_new(struct store *store, const struct tasting_session *session, struct texts *texts, char *seal,
                     struct why *why)
{
    char chain[TASTING_SECRET_SIZE + 2], first[TASTING_SEAL_SIZE], name[TASTING_NAME_SIZE];
    struct store_tasting_row row = { name, texts->open, seal, texts->lock, chain };
    struct tasting_happening sealed = { .kind = KIND_SEALED, .sure = -1, .time_us = session->made_us };
    int error;

    snprintf(name, sizeof name, "%s", session->name);
    snprintf(chain, sizeof chain, "0 %s", session->chain);
    error = store_tasting_add(store, &row, why);
    if (error)
        return error;
    hash_row(&row, first);
    return append(store, &row, first, 0, &sealed, why);
}

int tasting_record_new(struct store *store, struct tasting_session *session, const char *word, const char *key_file,
                       char seal[TASTING_SEAL_SIZE], struct why *why)
{
    struct texts *texts = malloc(sizeof *texts);
    int error;

    if (!texts || sodium_init() < 0) {
        free(texts);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    random_hex(session->chain);
    random_hex(session->salt);
    session->made_us -= session->made_us % 1000000; /* as the text has it */
    error = store_tasting_begin(store, why);
    if (!error) {
        error = find_before(store, session->before, why);
        if (!error)
            error = make_texts(session, word, texts, why);
        if (!error) {
            tasting_seal(texts->sealed, seal);
            error = write_new(store, session, texts, seal, why);
        }
        if (!error && !word) /* before the commit: a session without its key is worth nothing */
            error = tasting_key_file_write(key_file, texts->sealed, why);
        if (error)
            store_tasting_rollback(store);
        else if ((error = store_tasting_commit(store, why)) != 0 && !word)
            remove(key_file);
    }
    sodium_memzero(texts, sizeof *texts);
    free(texts);
    return error;
}
