/* The connection to the shared record.  Passwords come from libpq's own places (a service file, ~/.pgpass), never from
 * an argument, where everybody on the computer could read them. */
#include "share.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

/* A server that does not answer is given up after so long: what was sent and not confirmed is sent again. */
static const char patience[] = "30000";      /* ms, tcp_user_timeout */
static const char connect_patience[] = "10"; /* s */

static const char *option_of(const PQconninfoOption *options, const char *keyword)
{
    for (; options->keyword; options++)
        if (strcmp(options->keyword, keyword) == 0)
            return options->val && *options->val ? options->val : NULL;
    return NULL;
}

/* One line, as the server's words come in several. */
static void first_line(struct why *why, int error, const char *what, const char *words)
{
    why_set(why, error, "%s: %.*s", what, (int)strcspn(words, "\n"), words);
}

static int check_address(const char *address, struct why *why)
{
    char *words = NULL;
    PQconninfoOption *options = PQconninfoParse(address, &words);
    int error = 0;

    if (!options) {
        first_line(why, -EINVAL, "--to", words ? words : "not enough memory");
        PQfreemem(words);
        return -EINVAL;
    }
    if (option_of(options, "password"))
        error = why_set(why, -EINVAL,
                        "--to: a password in an argument can be read by everybody on this computer; "
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

int remote_open(struct remote *remote, const char *address, struct why *why)
{
    const char *const keywords[] = { "dbname",           "connect_timeout", "tcp_user_timeout",
                                     "application_name", "client_encoding", NULL };
    const char *const values[] = { address, connect_patience, patience, "poise-share", "UTF8", NULL };
    PGresult *rows = NULL;
    int error = check_address(address, why);

    if (error)
        return error;
    remote->connection = PQconnectdbParams(keywords, values, 1);
    if (PQstatus(remote->connection) != CONNECTION_OK) {
        first_line(why, -ECONNREFUSED, address,
                   remote->connection ? PQerrorMessage(remote->connection) : "not enough memory");
        remote_close(remote);
        return -ECONNREFUSED;
    }
    if (!is_private(remote->connection)) {
        remote_close(remote);
        return why_set(why, -EPERM, "%s: refused: over a network only with TLS; add sslmode=verify-full", address);
    }
    PQsetNoticeProcessor(remote->connection, be_quiet, NULL);
    if (!(remote->address = strdup(address)))
        error = why_set(why, -ENOMEM, "not enough memory");
    if (!error)
        error = remote_run(remote, "SET search_path TO poise, pg_catalog", 0, NULL, &rows, why);
    PQclear(rows);
    if (error)
        remote_close(remote);
    return error;
}

void remote_close(struct remote *remote)
{
    PQfinish(remote->connection);
    free(remote->address);
    *remote = (struct remote){ 0 };
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

static int failed(struct remote *remote, const PGresult *result, struct why *why)
{
    int error = errno_of(remote->connection, result);
    const char *words = result ? PQresultErrorMessage(result) : "";

    first_line(why, error, remote->address, *words ? words : PQerrorMessage(remote->connection));
    return error;
}

int remote_run(struct remote *remote, const char *sql, int count, const char *const *values, PGresult **rows,
               struct why *why)
{
    PGresult *result = PQexecParams(remote->connection, sql, count, NULL, values, NULL, NULL, 0);
    ExecStatusType status = PQresultStatus(result);
    int error = status == PGRES_COMMAND_OK || status == PGRES_TUPLES_OK ? 0 : failed(remote, result, why);

    if (error || !rows)
        PQclear(result);
    if (rows)
        *rows = error ? NULL : result;
    return error;
}

int remote_copy_begin(struct remote *remote, const char *sql, struct why *why)
{
    PGresult *result = PQexec(remote->connection, sql);
    int error = PQresultStatus(result) == PGRES_COPY_IN ? 0 : failed(remote, result, why);

    PQclear(result);
    return error;
}

int remote_copy_text(struct remote *remote, const char *text, size_t length, struct why *why)
{
    return PQputCopyData(remote->connection, text, (int)length) == 1 ? 0 : failed(remote, NULL, why);
}

int remote_copy_end(struct remote *remote, struct why *why)
{
    int error = PQputCopyEnd(remote->connection, NULL) == 1 ? 0 : failed(remote, NULL, why);
    PGresult *result;

    while ((result = PQgetResult(remote->connection))) {
        if (!error && PQresultStatus(result) != PGRES_COMMAND_OK)
            error = failed(remote, result, why);
        PQclear(result);
    }
    return error;
}
