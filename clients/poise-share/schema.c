/* The tables of the shared record: those of a store, each row with the store it comes from, so that no two benches mix,
 * however alike their names are.  Row-level security: who may write sees and changes rows of his own stores only.
 *
 * Nothing here but what an engine that distributes tables by a column (store_id) and speaks PostgreSQL's protocol has,
 * row-level security and the trace function apart. */
#include "share.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/stages.h"
#include "poise/text.h"

enum { SHARED_VERSION = 1, PARTITIONS = 16 };

/* A table that is distributed: its name, its columns, its key behind store_id. */
static const struct {
    const char *name, *columns, *key;
} tables[] = {
    { "brew",
      "brew_id bigint NOT NULL, name text NOT NULL, bench text NOT NULL, station text NOT NULL, boot_id bigint,"
      " begin_seq bigint, began_us bigint, began_mono_us bigint, outcome_seq bigint NOT NULL, ended_us bigint,"
      " ended_mono_us bigint, discarded boolean NOT NULL, reason text, experiment text, run bigint, replicate bigint,"
      " factors text, recipe text, tolerances text, plan_kept bigint",
      "brew_id" },
    { "stage",
      "brew_id bigint NOT NULL, seq bigint NOT NULL, stage text NOT NULL, boot_id bigint NOT NULL, at_us bigint NOT"
      " NULL, at_mono_us bigint NOT NULL, uncertainty_us bigint, made_by text NOT NULL",
      "brew_id, seq" },
    { "measure",
      "brew_id bigint NOT NULL, measure text NOT NULL, seq bigint NOT NULL, value double precision,"
      " standard_uncertainty double precision, above boolean NOT NULL, made_by text NOT NULL, time_us bigint NOT NULL",
      "brew_id, measure, seq" },
    { "strength_budget",
      "brew_id bigint NOT NULL, seq bigint NOT NULL, part text NOT NULL, standard_uncertainty double precision NOT"
      " NULL, freedom double precision",
      "brew_id, seq, part" },
    /* the readings that are a brew's now; what was assigned and taken back stays with the bench */
    { "strength_reading",
      "brew_id bigint NOT NULL, reading_seq bigint NOT NULL, time_us bigint NOT NULL, instrument_id bigint NOT NULL,"
      " boot_id bigint NOT NULL, mono_us bigint NOT NULL, value double precision, decimals bigint, stable bigint,"
      " status text NOT NULL, seq bigint NOT NULL, assigned_us bigint NOT NULL, made_by text NOT NULL,"
      " filtered bigint, sample_c double precision",
      "brew_id, reading_seq, time_us" },
    { "note", "brew_id bigint NOT NULL, seq bigint NOT NULL, time_us bigint NOT NULL, text text NOT NULL",
      "brew_id, seq" },
    { "warning",
      "brew_id bigint NOT NULL, seq bigint NOT NULL, time_us bigint NOT NULL, station text, warning text NOT NULL,"
      " detail text NOT NULL",
      "brew_id, seq, time_us" },
    { "trace", "brew_id bigint NOT NULL, samples bigint NOT NULL, block bytea NOT NULL", "brew_id" },
    { "instrument",
      "instrument_id bigint NOT NULL, bench text NOT NULL, name text NOT NULL, quantity text NOT NULL,"
      " unit text NOT NULL, weighs text",
      "instrument_id" },
    { "boot", "boot_id bigint NOT NULL, name text NOT NULL", "boot_id" },
    { "experiment", "name text NOT NULL, title text, definition text", "name" },
};

static const char before[] =
    "CREATE SCHEMA IF NOT EXISTS poise; SET search_path TO poise, pg_catalog;"
    "CREATE TABLE IF NOT EXISTS version (version integer NOT NULL);"
    "DO $$ BEGIN CREATE ROLE poise_write NOLOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$;"
    "DO $$ BEGIN CREATE ROLE poise_read NOLOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$;"
    "GRANT USAGE ON SCHEMA poise TO poise_write, poise_read;"
    "CREATE TABLE store (store_id text PRIMARY KEY, owner text NOT NULL DEFAULT current_user,"
    " position bigint NOT NULL DEFAULT 0, begun timestamptz NOT NULL DEFAULT now(),"
    " heard timestamptz NOT NULL DEFAULT now());"
    "ALTER TABLE store ENABLE ROW LEVEL SECURITY;"
    "CREATE POLICY own ON store TO poise_write USING (owner = current_user) WITH CHECK (owner = current_user);"
    "CREATE POLICY look ON store FOR SELECT TO poise_read USING (true);"
    "GRANT SELECT, INSERT, UPDATE ON store TO poise_write; GRANT SELECT ON store, version TO poise_read;"
    "GRANT SELECT ON version TO poise_write;";

/* The block of a trace (trace_block.h) as rows.  Damage is the writer's to notice: here it is not checked. */
static const char trace_function[] =
    "CREATE FUNCTION trace_rows(block bytea) RETURNS TABLE (seq bigint, instrument_id bigint, boot_id bigint,"
    " time_us bigint, mono_us bigint, value double precision, decimals integer, stable integer, status text)"
    " LANGUAGE plpgsql IMMUTABLE PARALLEL SAFE AS $$"
    " DECLARE at integer := 4; total numeric; i numeric := 0; flags integer; number numeric; folded numeric[];"
    " place integer; byte integer; shift numeric; wanted integer; mantissa numeric := 0; apart numeric := 0;"
    " two64 constant numeric := 18446744073709551616; two63 constant numeric := 9223372036854775808;"
    " n_seq numeric := 0; n_instrument numeric := 0; n_boot numeric := 0; n_mono numeric := 0; n_decimals integer := 0;"
    " BEGIN"
    "  total := 0; shift := 1;"
    "  LOOP byte := get_byte(block, at); at := at + 1; total := total + (byte & 127) * shift; shift := shift * 128;"
    "   EXIT WHEN byte < 128; END LOOP;"
    "  WHILE i < total LOOP"
    "   i := i + 1; flags := get_byte(block, at); at := at + 1;"
    "   wanted := 2 + CASE WHEN flags & 16 > 0 THEN 2 ELSE 0 END + CASE WHEN flags & 32 > 0 THEN 1 ELSE 0 END"
    "    + CASE WHEN flags & 64 > 0 THEN 1 ELSE 0 END + CASE WHEN flags & 3 = 0 THEN 1 ELSE 0 END;"
    "   folded := '{}';"
    "   FOR place IN 1 .. wanted LOOP"
    "    number := 0; shift := 1;"
    "    LOOP byte := get_byte(block, at); at := at + 1; number := number + (byte & 127) * shift;"
    "     shift := shift * 128; EXIT WHEN byte < 128; END LOOP;"
    "    folded := folded || number;"
    "   END LOOP;"
    "   n_seq := mod(n_seq + folded[1], two64); place := 2;"
    "   IF flags & 16 > 0 THEN"
    "    n_instrument := div(folded[2] + mod(folded[2], 2), 2) * (1 - 2 * mod(folded[2], 2));"
    "    n_boot := div(folded[3] + mod(folded[3], 2), 2) * (1 - 2 * mod(folded[3], 2)); place := 4;"
    "   END IF;"
    "   n_mono := n_mono + div(folded[place] + mod(folded[place], 2), 2) * (1 - 2 * mod(folded[place], 2));"
    "   place := place + 1;"
    "   IF flags & 32 > 0 THEN"
    "    apart := apart + div(folded[place] + mod(folded[place], 2), 2) * (1 - 2 * mod(folded[place], 2));"
    "    place := place + 1;"
    "   END IF;"
    "   IF flags & 64 > 0 THEN n_decimals := folded[place]; place := place + 1; END IF;"
    "   IF flags & 3 = 0 THEN"
    "    mantissa := mantissa + div(folded[place] + mod(folded[place], 2), 2) * (1 - 2 * mod(folded[place], 2));"
    "   END IF;"
    "   seq := n_seq - CASE WHEN n_seq >= two63 THEN two64 ELSE 0 END; instrument_id := n_instrument;"
    "   boot_id := n_boot; mono_us := n_mono; time_us := n_mono + apart;"
    "   status := (ARRAY['ok', 'overload', 'underload', 'fault'])[1 + (flags & 3)];"
    "   stable := NULLIF(((flags >> 2) & 3) - 1, -1);"
    "   IF flags & 3 = 0 THEN value := mantissa / power(10::numeric, n_decimals); decimals := n_decimals;"
    "   ELSE value := NULL; decimals := NULL; END IF;"
    "   RETURN NEXT;"
    "  END LOOP;"
    " END $$;";

/* Of the store's views, the same columns and store_id.  A stage reported takes back every one that was reported to
 * begin at its time or later (store_schema.c). */
#define STANDS(row)                                                                                       \
    "NOT EXISTS (SELECT 1 FROM stage r WHERE r.store_id = " row ".store_id AND r.brew_id = " row          \
    ".brew_id AND r.seq > " row ".seq AND CASE WHEN r.boot_id = " row ".boot_id THEN r.at_mono_us - " row \
    ".at_mono_us ELSE r.at_us - " row ".at_us END <= 1000)"
#define FIRST_WATER                                                                                          \
    "LEFT JOIN LATERAL (SELECT f.* FROM stage f WHERE f.store_id = b.store_id AND f.brew_id = b.brew_id AND" \
    " f.stage IN ('bloom', 'pour') AND " STANDS("f") " ORDER BY f.at_us, f.seq LIMIT 1) w ON true"

static const char views[] =
    "CREATE VIEW brew_stage WITH (security_invoker = true) AS SELECT b.store_id, b.name AS brew, s.seq, s.stage,"
    " CASE WHEN s.boot_id = w.boot_id THEN (s.at_mono_us - w.at_mono_us) / 1e6 ELSE (s.at_us - w.at_us) / 1e6 END"
    " AS seconds, s.uncertainty_us / 1e6 AS seconds_u, s.made_by, s.at_us AS time_us FROM brew b"
    " JOIN stage s USING (store_id, brew_id) " FIRST_WATER " WHERE s.stage <> 'idle' AND " STANDS(
        "s") ";"
             /* first water once a brew, not once a reading: OFFSET 0 keeps the two apart */
             "CREATE VIEW brew_trace WITH (security_invoker = true) AS SELECT b.store_id, b.name AS brew, t.seq,"
             " i.name AS instrument, i.quantity, i.unit, i.weighs, CASE WHEN t.boot_id = b.water_boot THEN"
             " (t.mono_us - b.water_mono_us) / 1e6 ELSE (t.time_us - b.water_us) / 1e6 END AS seconds, t.value, t.decimals,"
             " t.stable, t.status, t.time_us, t.mono_us FROM (SELECT b.store_id, b.brew_id, b.name, b.boot_id,"
             " b.began_mono_us, w.boot_id AS water_boot, w.at_us AS water_us, w.at_mono_us AS water_mono_us FROM brew b " FIRST_WATER
             " OFFSET 0) b JOIN trace k USING (store_id, brew_id) CROSS JOIN LATERAL trace_rows(k.block) t"
             " JOIN instrument i ON i.store_id = b.store_id AND i.instrument_id = t.instrument_id"
             " WHERE NOT coalesce(t.boot_id = b.boot_id AND t.mono_us < b.began_mono_us - 5000000, false);"
             "GRANT SELECT ON brew_stage, brew_trace, brew_summary TO poise_read, poise_write;";

static void add_table(struct text *sql, const char *name, const char *columns, const char *key)
{
    text_print(sql,
               "CREATE TABLE %s (store_id text NOT NULL, %s, PRIMARY KEY (store_id, %s))"
               " PARTITION BY HASH (store_id);",
               name, columns, key);
    for (int part = 0; part < PARTITIONS; part++)
        text_print(sql, "CREATE TABLE %s_%d PARTITION OF %s FOR VALUES WITH (MODULUS %d, REMAINDER %d);", name, part,
                   name, PARTITIONS, part);
    text_print(sql,
               "ALTER TABLE %s ENABLE ROW LEVEL SECURITY;"
               "CREATE POLICY own ON %s TO poise_write USING (store_id IN (SELECT s.store_id FROM store s WHERE"
               " s.owner = current_user)) WITH CHECK (store_id IN (SELECT s.store_id FROM store s WHERE"
               " s.owner = current_user));"
               "CREATE POLICY look ON %s FOR SELECT TO poise_read USING (true);"
               "GRANT SELECT, INSERT, UPDATE, DELETE ON %s TO poise_write; GRANT SELECT ON %s TO poise_read;",
               name, name, name, name, name);
}

static void add_summary(struct text *sql)
{
    static const char utc[] =
        "to_char(to_timestamp(b.%s / 1e6) AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.MS\"Z\"')"
        " AS %s, ";

    text_print(sql, "CREATE VIEW brew_summary WITH (security_invoker = true) AS SELECT b.store_id, b.name AS brew,"
                    " b.bench, b.station, ");
    text_print(sql, utc, "began_us", "began_utc");
    text_print(sql, utc, "ended_us", "ended_utc");
    text_print(sql, "b.experiment, b.run, b.replicate, b.factors, b.recipe, ");
    for (int measure = 0; measure < MEASURE_COUNT; measure++) {
        const char *name = measure_name((enum measure)measure);
        static const char last[] = "(SELECT m.%s FROM measure m WHERE m.store_id = b.store_id AND m.brew_id ="
                                   " b.brew_id AND m.measure = '%s' ORDER BY m.seq DESC LIMIT 1) AS %s%s, ";

        text_print(sql, last, "value", name, name, "");
        text_print(sql, last, "standard_uncertainty", name, name, "_u");
    }
    text_print(sql,
               "b.plan_kept, (SELECT string_agg(m.measure, ',') FROM measure m WHERE m.store_id = b.store_id AND"
               " m.brew_id = b.brew_id AND m.above AND m.seq = (SELECT max(n.seq) FROM measure n WHERE n.store_id ="
               " m.store_id AND n.brew_id = m.brew_id AND n.measure = m.measure)) AS above,"
               " (SELECT string_agg(n.text, '; ' ORDER BY n.seq) FROM note n WHERE n.store_id = b.store_id AND"
               " n.brew_id = b.brew_id) AS note FROM brew b WHERE NOT b.discarded;");
}

static int run_all(struct remote *remote, const char *sql, struct why *why)
{
    PGresult *result = PQexec(remote->connection, sql); /* several statements in one */
    int error = 0;

    if (PQresultStatus(result) != PGRES_COMMAND_OK) {
        const char *words = PQresultErrorMessage(result);

        error = why_set(why, -EIO, "%s: %.*s", remote->address, (int)strcspn(words, "\n"), words);
    }
    PQclear(result);
    return error;
}

static int version_of(struct remote *remote, int *version, struct why *why)
{
    PGresult *rows;
    int error = remote_run(remote, "SELECT to_regclass('poise.version') IS NOT NULL", 0, NULL, &rows, why);

    *version = 0;
    if (error)
        return error;
    if (*PQgetvalue(rows, 0, 0) == 't') {
        PQclear(rows);
        if ((error = remote_run(remote, "SELECT max(version) FROM poise.version", 0, NULL, &rows, why)) != 0)
            return error;
        *version = atoi(PQgetvalue(rows, 0, 0));
    }
    PQclear(rows);
    return 0;
}

int schema_make(struct remote *remote, struct why *why)
{
    struct text sql = { 0 };
    int version, error = version_of(remote, &version, why);

    if (error || version == SHARED_VERSION)
        return error;
    if (version > SHARED_VERSION)
        return schema_check(remote, why);
    text_print(&sql, "BEGIN; %s", before);
    for (size_t i = 0; i < sizeof tables / sizeof *tables; i++)
        add_table(&sql, tables[i].name, tables[i].columns, tables[i].key);
    text_print(&sql, "CREATE INDEX brew_by_experiment ON brew (experiment); CREATE INDEX brew_by_time ON brew"
                     " (began_us);");
    add_summary(&sql);
    text_print(&sql, "%s%s INSERT INTO version VALUES (%d); COMMIT;", trace_function, views, SHARED_VERSION);
    text_add(&sql, "", 1);
    error = sql.failed ? why_set(why, -ENOMEM, "not enough memory") : run_all(remote, sql.data, why);
    if (error)
        PQclear(PQexec(remote->connection, "ROLLBACK"));
    text_free(&sql);
    return error;
}

int schema_check(struct remote *remote, struct why *why)
{
    int version, error = version_of(remote, &version, why);

    if (error)
        return error;
    if (version == 0)
        return why_set(why, -ENOENT, "%s: no shared record there yet: its owner makes one with `poise-share --init`",
                       remote->address);
    if (version != SHARED_VERSION)
        return why_set(why, version > SHARED_VERSION ? -EPROTO : -EBADF,
                       "%s: the shared record has version %d, and this poise-share knows version %d: bring %s up to "
                       "date",
                       remote->address, version, SHARED_VERSION, version > SHARED_VERSION ? "Poise" : "the record");
    return 0;
}
