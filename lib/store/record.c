/* The connection to the shared record; see record.h.  Passwords come from libpq's own places (a service file,
 * ~/.pgpass), never from an argument, where everybody on the computer could read them. */
#include "record_parts.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

/* A server that does not answer is given up after so long: what was sent and not confirmed is sent again. */
static const char patience[] = "30000";      /* ms, tcp_user_timeout */
static const char connect_patience[] = "10"; /* s */

bool record_is_address(const char *where)
{
    return strncmp(where, "postgresql://", 13) == 0 || strncmp(where, "postgres://", 11) == 0;
}

static const char *option_of(const PQconninfoOption *options, const char *keyword)
{
    for (; options->keyword; options++)
        if (strcmp(options->keyword, keyword) == 0)
            return options->val && *options->val ? options->val : NULL;
    return NULL;
}

/* One line, as the server's words come in several. */
static int first_line(struct why *why, int error, const char *what, const char *words)
{
    return why_set(why, error, "%s: %.*s", what, (int)strcspn(words, "\n"), words);
}

static int check_address(const char *address, struct why *why)
{
    char *words = NULL;
    PQconninfoOption *options;
    int error = 0;

    if (!record_is_address(address))
        return why_set(why, -EINVAL, "%s: is no address of a record: postgresql://HOST/NAME", address);
    if (!(options = PQconninfoParse(address, &words))) {
        first_line(why, -EINVAL, "the record's address", words ? words : "not enough memory");
        PQfreemem(words);
        return -EINVAL;
    }
    if (option_of(options, "password"))
        error = why_set(why, -EINVAL,
                        "a password in an argument can be read by everybody on this computer; "
                        "put it into ~/.pgpass or a service file (PostgreSQL's own), mode 0600");
    PQconninfoFree(options);
    return error;
}

/* A socket of this machine, or TLS. */
static bool is_private(PGconn *connection)
{
    const char *host = PQhost(connection);

    return PQsslInUse(connection) || !host || host[0] == '/' || strcmp(host, "localhost") == 0
           || strcmp(host, "127.0.0.1") == 0 || strcmp(host, "::1") == 0;
}

/* Notices ("relation exists, skipping") are nobody's business. */
static void be_quiet(void *context, const char *words)
{
    (void)context;
    (void)words;
}

static int connect_to(struct record *record, const char *address, const char *program, struct why *why)
{
    const char *const keywords[] = { "dbname",           "connect_timeout", "tcp_user_timeout",
                                     "application_name", "client_encoding", NULL };
    const char *const values[] = { address, connect_patience, patience, program, "UTF8", NULL };

    record->connection = PQconnectdbParams(keywords, values, 1);
    if (PQstatus(record->connection) != CONNECTION_OK)
        return first_line(why, -ECONNREFUSED, address,
                          record->connection ? PQerrorMessage(record->connection) : "not enough memory");
    if (!is_private(record->connection))
        return why_set(why, -EPERM, "%s: refused: over a network only with TLS; add sslmode=verify-full", address);
    PQsetNoticeProcessor(record->connection, be_quiet, NULL);
    /* wide views of few brews: compiling them takes longer than asking them */
    return record_run(record, "SET search_path TO poise, pg_catalog", 0, NULL, NULL, why) == 0
                   && record_run(record, "SET jit TO off", 0, NULL, NULL, why) == 0
               ? 0
               : -EIO;
}

int record_open(struct record **out, const char *address, const char *program, struct why *why)
{
    struct record *record;
    int error = check_address(address, why);

    if (error)
        return error;
    if (!(record = calloc(1, sizeof *record)) || !(record->address = strdup(address))) {
        free(record);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    if ((error = connect_to(record, address, program, why)) != 0)
        record_close(record);
    else
        *out = record;
    return error;
}

void record_close(struct record *record)
{
    if (!record)
        return;
    PQfinish(record->connection);
    text_free(&record->benches);
    free(record->address);
    free(record);
}

const char *record_remark(const struct record *record)
{
    return record->remark.text[0] ? record->remark.text : NULL;
}

/* What the server's error code means here (PostgreSQL's appendix A). */
static int errno_of(PGconn *connection, const PGresult *result)
{
    const char *state = result ? PQresultErrorField(result, PG_DIAG_SQLSTATE) : NULL;

    if (PQstatus(connection) != CONNECTION_OK)
        return -ENOTCONN;
    if (!state)
        return -EIO;
    if (strncmp(state, "53", 2) == 0) /* insufficient resources: disk full, out of memory */
        return -ENOSPC;
    return strcmp(state, "42501") == 0 ? -EACCES : -EIO; /* insufficient privilege, row-level security too */
}

int record_failed(struct record *record, const PGresult *result, struct why *why)
{
    int error = errno_of(record->connection, result);
    const char *words = result ? PQresultErrorMessage(result) : "";

    return first_line(why, error, record->address, *words ? words : PQerrorMessage(record->connection));
}

int record_run(struct record *record, const char *sql, int count, const char *const *values, PGresult **rows,
               struct why *why)
{
    PGresult *result = PQexecParams(record->connection, sql, count, NULL, values, NULL, NULL, 0);
    ExecStatusType status = PQresultStatus(result);
    int error = status == PGRES_COMMAND_OK || status == PGRES_TUPLES_OK ? 0 : record_failed(record, result, why);

    if (error || !rows)
        PQclear(result);
    if (rows)
        *rows = error ? NULL : result;
    return error;
}

int record_run_all(struct record *record, const char *sql, struct why *why)
{
    PGresult *result = PQexec(record->connection, sql);
    ExecStatusType status = PQresultStatus(result);
    int error = status == PGRES_COMMAND_OK || status == PGRES_TUPLES_OK ? 0 : record_failed(record, result, why);

    PQclear(result);
    return error;
}
