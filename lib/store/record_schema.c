/* The shared record's tables in PostgreSQL, and the way from one version to the next.
 *
 * One row a brew: a bench writes a row a cup, and whoever deletes a month drops one table.  The tables of a store are
 * views here, of the same names, with bench_id and the brew's name before their columns.  Nothing here but standard SQL
 * that an engine which speaks PostgreSQL's protocol has; what such an engine may lack is named in DEVELOPERS. */
#include "record_parts.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "poise/stages.h"

enum { SHARED_VERSION = 2 };

/* What a partition is known by: a bench's digits spread evenly, and so few parts that a plan over years stays short. */
#define PARTS "4"

static const char tables[] =
    "CREATE SCHEMA IF NOT EXISTS poise; SET search_path TO poise, pg_catalog;"
    "CREATE TABLE version (version integer NOT NULL);"
    "DO $$ BEGIN CREATE ROLE poise_write NOLOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$;"
    "DO $$ BEGIN CREATE ROLE poise_read NOLOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$;"
    "GRANT USAGE ON SCHEMA poise TO poise_write, poise_read;"
    /* one row: which record it is, and the first month that it still takes (2026 * 100 + 11) */
    "CREATE TABLE record (record_id text NOT NULL, kept_from integer NOT NULL DEFAULT 0);"
    "INSERT INTO record SELECT replace(gen_random_uuid()::text, '-', '');"
    /* who sends: position is that of the store's own changes, stamp of ours: every batch has a later one, also after
     * the server came back from a backup, since it is not below the clock's microseconds */
    "CREATE TABLE store (store_id text PRIMARY KEY CHECK (store_id ~ '^[0-9a-f]{32}$'), owner text NOT NULL DEFAULT current_user,"
    " position bigint NOT NULL DEFAULT 0, stamp bigint NOT NULL DEFAULT 0, begun timestamptz NOT NULL DEFAULT now(),"
    " last timestamptz NOT NULL DEFAULT now());"
    /* a bench has several names when it was renamed; the store that sends it is one */
    "CREATE TABLE bench (bench_id text, name text, store_id text NOT NULL, units text, begun timestamptz NOT NULL DEFAULT now(),"
    " PRIMARY KEY (bench_id, name), CHECK (bench_id ~ '^[0-9a-f]{32}$' AND name ~ '^[a-z0-9-]{1,32}$'));"
    /* a brew's name begins with its bench's, so that no bench writes what passes for another's */
    "CREATE TABLE brew (bench_id text NOT NULL, month integer NOT NULL, name text NOT NULL, store_id text NOT NULL,"
    " stamp bigint NOT NULL, bench text NOT NULL, station text NOT NULL, boot text, begin_seq bigint, began_us bigint,"
    " began_mono_us bigint, outcome_seq bigint NOT NULL, ended_us bigint, ended_mono_us bigint,"
    " discarded boolean NOT NULL, reason text, experiment text, run bigint, replicate bigint, factors text, recipe text,"
    " tolerances text, plan_kept bigint, measures jsonb NOT NULL, parts jsonb NOT NULL, samples bigint NOT NULL,"
    " trace bytea, PRIMARY KEY (bench_id, month, name), CHECK (starts_with(name, bench) AND length(name) < 48 AND"
    " substr(name, length(bench) + 1) ~ '^-[0-9]{8}-[0-9]{3,}$')) PARTITION BY LIST (month);"
    "ALTER TABLE brew ALTER trace SET STORAGE EXTERNAL;" /* it is packed already */
    "CREATE INDEX brew_by_experiment ON brew (experiment) WHERE experiment IS NOT NULL;"
    "CREATE INDEX brew_by_stamp ON brew (store_id, stamp);"
    "CREATE TABLE brew_rest PARTITION OF brew DEFAULT;" /* of no month, or of one far from now */
    /* plans, tastings and checks of instruments: a document each */
    "CREATE TABLE other (store_id text, kind text, key text, stamp bigint NOT NULL,"
    " body jsonb NOT NULL, PRIMARY KEY (store_id, kind, key));"
    "ALTER TABLE store ENABLE ROW LEVEL SECURITY;"
    "CREATE POLICY own ON store TO poise_write USING (owner = current_user) WITH CHECK (owner = current_user);"
    "CREATE POLICY look ON store FOR SELECT TO poise_read USING (true);"
    "GRANT SELECT ON record, version TO poise_write, poise_read;"
    "GRANT SELECT, INSERT, UPDATE, DELETE ON store, bench, brew, other TO poise_write;"
    "GRANT SELECT ON store, bench, brew, other TO poise_read;";

/* What belongs to a store belongs to its owner.  The store's own policy hides those of others here too. */
static const char policies[] =
    "ALTER TABLE %1$s ENABLE ROW LEVEL SECURITY;"
    "CREATE POLICY own ON %1$s TO poise_write USING (store_id IN (SELECT s.store_id FROM store s))"
    " WITH CHECK (EXISTS (SELECT 1 FROM store s WHERE s.store_id = %1$s.store_id));"
    "CREATE POLICY look ON %1$s FOR SELECT TO poise_read USING (true);";

/* Run with the owner's rights, since a bench may not make tables: so they check what they are given. */
static const char functions[] =
    "CREATE FUNCTION make_month(wanted integer) RETURNS void LANGUAGE plpgsql SECURITY DEFINER"
    " SET search_path = poise, pg_catalog, pg_temp AS $$"
    " DECLARE today date := now() AT TIME ZONE 'UTC';"
    " BEGIN"
    "  IF wanted % 100 NOT BETWEEN 1 AND 12 OR wanted < (SELECT kept_from FROM record)"
    "   OR wanted < to_char(today - interval '10 years', 'YYYYMM')::integer"
    "   OR wanted > to_char(today + interval '1 month', 'YYYYMM')::integer THEN RETURN; END IF;"
    "  IF to_regclass('poise.brew_' || wanted) IS NOT NULL THEN RETURN; END IF;"
    "  PERFORM pg_advisory_xact_lock(hashtextextended('poise.make_month', 0));"
    "  IF to_regclass('poise.brew_' || wanted) IS NOT NULL THEN RETURN; END IF;"
    "  EXECUTE format('CREATE TABLE brew_%s PARTITION OF brew FOR VALUES IN (%s) PARTITION BY HASH (bench_id)', wanted,"
    "   wanted);"
    "  FOR part IN 0 .. " PARTS " - 1 LOOP"
    "   EXECUTE format('CREATE TABLE brew_%s_%s PARTITION OF brew_%s FOR VALUES WITH (MODULUS " PARTS
    ", REMAINDER %s)',"
    "    wanted, part, wanted, part);"
    "  END LOOP;"
    " EXCEPTION WHEN check_violation THEN NULL;" /* brews of a clock that ran ahead lie in brew_rest: they stay there */
    " END $$;"
    "REVOKE ALL ON FUNCTION make_month(integer) FROM PUBLIC; GRANT EXECUTE ON FUNCTION make_month(integer) TO"
    " poise_write;"
    /* how people will see the name of a bench: the first of a name keeps it */
    "CREATE FUNCTION shown_name(bench_id text, name text) RETURNS text LANGUAGE sql STABLE SECURITY DEFINER"
    " SET search_path = poise, pg_catalog, pg_temp AS $$"
    " SELECT CASE WHEN $1 = (SELECT b.bench_id FROM bench b WHERE b.name = $2 ORDER BY b.begun, b.bench_id LIMIT 1)"
    " THEN $2 ELSE left($2, 23) || '-' || left($1, 8) END $$;"
    "REVOKE ALL ON FUNCTION shown_name(text, text) FROM PUBLIC;"
    "GRANT EXECUTE ON FUNCTION shown_name(text, text) TO poise_write, poise_read;";

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
    "  IF block IS NULL THEN RETURN; END IF;"
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

/* The stages of a brew that stand, each with its first water: as the store's views have it (store_schema.c). */
static const char stage_function[] =
    "CREATE FUNCTION stages(parts jsonb) RETURNS TABLE (seq bigint, stage text, boot text, at_us bigint,"
    " at_mono_us bigint, uncertainty_us bigint, made_by text, water_boot text, water_us bigint, water_mono_us bigint)"
    " LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$"
    " WITH reported AS MATERIALIZED (SELECT (s ->> 0)::bigint AS seq, s ->> 1 AS stage, s ->> 2 AS boot,"
    " (s ->> 3)::bigint AS at_us, (s ->> 4)::bigint AS at_mono_us, (s ->> 5)::bigint AS uncertainty_us, s ->> 6 AS made_by"
    " FROM jsonb_array_elements($1 -> 'stage') s),"
    " stands AS MATERIALIZED (SELECT * FROM reported s WHERE NOT EXISTS (SELECT 1 FROM reported r WHERE r.seq > s.seq AND CASE"
    " WHEN r.boot = s.boot THEN r.at_mono_us - s.at_mono_us ELSE r.at_us - s.at_us END <= 1000)),"
    " water AS (SELECT boot, at_us, at_mono_us FROM stands WHERE stage IN ('bloom', 'pour') ORDER BY at_us, seq LIMIT 1)"
    " SELECT s.*, w.* FROM stands s LEFT JOIN water w ON true $$;";

/* The store's tables as views, and its views. */
#define KEY "b.bench_id, b.name AS brew, "
#define VIEW(name) "CREATE VIEW " name " WITH (security_invoker = true) AS SELECT " KEY
#define PART(name) " FROM brew b CROSS JOIN LATERAL jsonb_array_elements(b.parts -> '" name "') r;"
#define SECONDS(row, boot, mono_us, us)                                                    \
    "CASE WHEN " boot " = w.water_boot THEN (" row "." mono_us " - w.water_mono_us) / 1e6" \
    " ELSE (" row "." us " - w.water_us) / 1e6 END AS seconds"

static const char views[] = VIEW(
    "measure") "m.key AS measure, (r ->> 0)::bigint AS seq, (r ->> 1)::double precision AS value,"
               " (r ->> 2)::double precision AS standard_uncertainty, (r ->> 3)::integer <> 0 AS above,"
               " r ->> 4 AS made_by, (r ->> 5)::bigint AS time_us FROM brew b"
               " CROSS JOIN LATERAL jsonb_each(b.measures) m CROSS JOIN LATERAL jsonb_array_elements(m.value) r;" VIEW(
                   "stage") "(r ->> 0)::bigint AS seq, r ->> 1 AS stage, r ->> 2 AS boot, (r ->> 3)::bigint AS at_us,"
                            " (r ->> 4)::bigint AS at_mono_us, (r ->> 5)::bigint AS uncertainty_us, r ->> 6 AS made_by" PART(
                                "stage")
                                VIEW("note") "(r ->> 0)::bigint AS seq, (r ->> 1)::bigint AS time_us, r ->> 2 AS text" PART("note") VIEW(
                                    "warning") "(r ->> 0)::bigint AS seq, (r ->> 1)::bigint AS time_us, r ->> 2 AS station, r ->> 3 AS warning,"
                                               " r ->> 4 AS detail" PART("warning") VIEW(
                                                   "strength_budget") "(r ->> 0)::bigint AS seq, r ->> 1 AS part, (r ->> 2)::double precision AS"
                                                                      " standard_uncertainty, (r ->> 3)::double precision AS freedom" PART(
                                                                          "strength_budget")
                                                                          VIEW(
                                                                              "strength_reading") "(r ->> 0)::bigint AS reading_seq, (r ->> 1)::bigint AS time_us, r ->> 2 AS instrument,"
                                                                                                  " r ->> 3 AS quantity, (r ->> 6)::double precision AS value, r ->> 9 AS status" PART(
                                                                                                      "strength_reading")
                                                                                                      VIEW("brew_stage") "w.seq, w.stage, " SECONDS(
                                                                                                          "w", "w.boot",
                                                                                                          "at_mono_us",
                                                                                                          "at_us") ", w.uncertainty_us / 1e6 AS"
                                                                                                                   " seconds_u, w.made_by, w.at_us AS time_us FROM brew b CROSS JOIN LATERAL stages(b.parts) w WHERE w.stage <> 'idle';" VIEW("brew_trace") "t.seq, i ->> 1 AS instrument, i ->> 2 AS quantity, i ->> 3 AS unit, i ->> 4 AS weighs, " SECONDS(
                                                                                                                       "t",
                                                                                                                       "o.name",
                                                                                                                       "mono_us",
                                                                                                                       "time_us") ", t.value, t.decimals, t.stable, t.status, t.time_us, t.mono_us"
                                                                                                                                  " FROM brew b LEFT JOIN LATERAL (SELECT water_boot, water_us, water_mono_us FROM stages(b.parts) LIMIT 1) w ON true"
                                                                                                                                  " CROSS JOIN LATERAL trace_rows(b.trace) t"
                                                                                                                                  " JOIN LATERAL jsonb_array_elements(b.parts -> 'instrument') i ON (i ->> 0)::bigint = t.instrument_id"
                                                                                                                                  " LEFT JOIN LATERAL (SELECT k ->> 1 AS name FROM jsonb_array_elements(b.parts -> 'boot') k WHERE (k ->> 0)::bigint ="
                                                                                                                                  " t.boot_id) o ON true WHERE NOT coalesce(o.name = b.boot AND t.mono_us < b.began_mono_us - 5000000, false);"
                                                                                                                                  "CREATE VIEW experiment WITH (security_invoker = true) AS SELECT store_id, key AS name, body ->> 'title' AS title,"
                                                                                                                                  " body ->> 'definition' AS definition FROM other WHERE kind = 'experiment';"
                                                                                                                                  /* sealed ones are there by their seal alone */
                                                                                                                                  "CREATE VIEW tasting WITH (security_invoker = true) AS SELECT store_id, key AS name, body ->> 'text' AS text,"
                                                                                                                                  " body ->> 'seal' AS seal, body -> 'entry' IS NOT NULL AS revealed FROM other WHERE kind = 'tasting';"
                                                                                                                                  "GRANT SELECT ON measure, stage, note, warning, strength_budget, strength_reading, brew_stage, brew_trace,"
                                                                                                                                  " brew_summary, experiment, tasting TO poise_read, poise_write;";

static void add_summary(struct text *sql)
{
    static const char utc[] =
        "to_char(to_timestamp(b.%s / 1e6) AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.MS\"Z\"')"
        " AS %s, ";

    text_print(sql, "CREATE VIEW brew_summary WITH (security_invoker = true) AS SELECT b.bench_id, b.name AS brew,"
                    " b.bench, b.station, ");
    text_print(sql, utc, "began_us", "began_utc");
    text_print(sql, utc, "ended_us", "ended_utc");
    text_print(sql, "b.experiment, b.run, b.replicate, b.factors, b.recipe, ");
    for (int measure = 0; measure < MEASURE_COUNT; measure++) {
        const char *name = measure_name((enum measure)measure);
        static const char newest[] = "(b.measures #>> '{%s,0,%d}')::double precision AS %s%s, ";

        text_print(sql, newest, name, 1, name, "");
        text_print(sql, newest, name, 2, name, "_u");
    }
    text_print(sql, "b.plan_kept, (SELECT string_agg(m.key, ',' ORDER BY m.key) FROM jsonb_each(b.measures) m WHERE"
                    " (m.value #>> '{0,3}')::integer <> 0) AS above,"
                    " (SELECT string_agg(n ->> 2, '; ' ORDER BY (n ->> 0)::bigint) FROM jsonb_array_elements(b.parts ->"
                    " 'note') n) AS note FROM brew b WHERE NOT b.discarded;");
}

static int version_of(struct record *record, int *version, struct why *why)
{
    PGresult *rows;
    int error = record_run(record, "SELECT to_regclass('poise.version') IS NOT NULL", 0, NULL, &rows, why);

    *version = 0;
    if (error)
        return error;
    if (*PQgetvalue(rows, 0, 0) == 't') {
        PQclear(rows);
        if ((error = record_run(record, "SELECT max(version) FROM poise.version", 0, NULL, &rows, why)) != 0)
            return error;
        *version = atoi(PQgetvalue(rows, 0, 0));
    }
    PQclear(rows);
    return 0;
}

/* Version 1 had a table for each kind of row.  Benches send all that they hold again, so nothing is converted; what was
 * there is put aside, under a name of its own. */
static const char put_aside[] = "ALTER SCHEMA poise RENAME TO poise_version_1;";

int record_make(struct record *record, struct why *why)
{
    struct text sql = { 0 };
    int version, error = version_of(record, &version, why);

    if (error || version == SHARED_VERSION)
        return error;
    if (version > SHARED_VERSION)
        return record_check(record, why);
    text_print(&sql, "BEGIN; %s%s", version == 1 ? put_aside : "", tables);
    text_print(&sql, policies, "bench");
    text_print(&sql, policies, "brew");
    text_print(&sql, policies, "other");
    text_print(&sql, "%s%s%s", functions, trace_function, stage_function);
    add_summary(&sql);
    text_print(&sql, "%s SELECT make_month(to_char(now() AT TIME ZONE 'UTC', 'YYYYMM')::integer);", views);
    text_print(&sql, "INSERT INTO version VALUES (%d); COMMIT;", SHARED_VERSION);
    text_add(&sql, "", 1);
    error = sql.failed ? why_set(why, -ENOMEM, "not enough memory") : record_run_all(record, sql.data, why);
    if (error)
        PQclear(PQexec(record->connection, "ROLLBACK"));
    text_free(&sql);
    return error;
}

int record_check(struct record *record, struct why *why)
{
    int version, error = version_of(record, &version, why);

    if (error)
        return error;
    if (version == 0)
        return why_set(why, -ENOENT, "%s: no shared record there yet: its owner makes one with `poise-share --init`",
                       record->address);
    if (version != SHARED_VERSION)
        return why_set(why, version > SHARED_VERSION ? -EPROTO : -EBADF,
                       "%s: the shared record has version %d, and this Poise knows version %d: bring %s up to date",
                       record->address, version, SHARED_VERSION, version > SHARED_VERSION ? "Poise" : "the record");
    return 0;
}

int record_drop_before(struct record *record, int month, struct why *why)
{
    static const char list[] = "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid WHERE"
                               " i.inhparent = 'poise.brew'::regclass AND c.relname ~ '^brew_[0-9]{6}$'"
                               " AND substr(c.relname, 6)::integer < $1::integer ORDER BY 1";
    char number[16];
    const char *const values[] = { number };
    struct text sql = { 0 };
    PGresult *rows = NULL;
    int count, error;

    snprintf(number, sizeof number, "%d", month);
    if ((error = record_run(record, list, 1, values, &rows, why)) != 0)
        return error;
    text_print(&sql, "BEGIN; UPDATE record SET kept_from = greatest(kept_from, %d);", month);
    for (int row = 0; row < PQntuples(rows); row++)
        text_print(&sql, "DROP TABLE poise.%s;", PQgetvalue(rows, row, 0));
    text_print(&sql, "DELETE FROM brew_rest WHERE month BETWEEN 1 AND %d; COMMIT;", month - 1);
    text_add(&sql, "", 1);
    count = PQntuples(rows);
    PQclear(rows);
    error = sql.failed ? why_set(why, -ENOMEM, "not enough memory") : record_run_all(record, sql.data, why);
    if (error)
        PQclear(PQexec(record->connection, "ROLLBACK"));
    text_free(&sql);
    return error ? error : count;
}
