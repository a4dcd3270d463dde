/* poise-site: options, signals, and the life of the program; see poise-site.8. */
#include <errno.h>
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "notify.h"
#include "poise/program.h"
#include "site.h"

static const char default_config[] = "/etc/poise/site.conf";

struct program {
    uv_loop_t loop;
    const char *path;
    struct config *config;
    struct site *site;
    uv_signal_t interrupt, terminate, hangup;
};

static void usage(FILE *out)
{
    fprintf(out,
            "Usage: poise-site [--config FILE]\n"
            "Listens to several benches and publishes their readings on one bus.\n\n"
            "  -c, --config FILE  configuration (default %s)\n"
            "  -h, --help         show this help\n"
            "  -V, --version      show the version\n",
            default_config);
}

static void drop_config(struct config *config)
{
    config_free(config);
    free(config);
}

static int read_config(const char *path, struct config **out, struct why *why)
{
    struct config *config = malloc(sizeof *config);
    int error =
        config ? config_read(config, path, NULL, why) : why_set(why, -ENOMEM, "no memory for the configuration");

    if (error < 0) {
        free(config);
    } else if (!config->site) {
        drop_config(config);
        error = why_set(why, -EINVAL, "%s: is the configuration of a bench: a site's has a [site] section", path);
    } else {
        *out = config;
    }
    return error;
}

static void on_stop(uv_signal_t *handle, int number)
{
    (void)number;
    uv_stop(handle->loop);
}

/* What is connected stays: its other benches and addresses need a restart, which costs nobody anything that is kept. */
static bool same_places(const struct config *old, const struct config *new)
{
    bool same = strcmp(old->bus, new->bus) == 0 && strcmp(old->secret, new->secret) == 0
                && old->follow_count == new->follow_count;

    for (int i = 0; same && i < old->follow_count; i++)
        same = strcmp(old->follows[i].name, new->follows[i].name) == 0
               && strcmp(old->follows[i].bus, new->follows[i].bus) == 0
               && strcmp(old->follows[i].key, new->follows[i].key) == 0;
    return same;
}

static void on_hangup(uv_signal_t *handle, int number)
{
    struct program *program = handle->data;
    struct config *config;
    struct why why;
    int error = read_config(program->path, &config, &why);

    (void)number;
    if (error == 0 && !same_places(program->config, config)) {
        error = why_set(&why, -EINVAL, "addresses, benches or the site's own key have changed, which needs a restart");
        drop_config(config);
    }
    if (error < 0) {
        program_message("the old configuration stays: %s", why.text);
        return;
    }
    site_reconfigure(program->site, config);
    drop_config(program->config);
    program->config = config;
    program_message("the configuration was read again");
}

static void catch_signal(struct program *program, uv_signal_t *handle, uv_signal_cb callback, int number)
{
    uv_signal_init(&program->loop, handle);
    handle->data = program;
    uv_signal_start(handle, callback, number);
}

static int run(const char *path)
{
    static struct program program;
    struct why why;
    int error;

    program.path = path;
    if (read_config(path, &program.config, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_USAGE; /* it would fail alike if it were started again */
    }
    signal(SIGPIPE, SIG_IGN);
    if ((error = uv_loop_init(&program.loop)) < 0) {
        program_message("no event loop: %s", uv_strerror(error));
        drop_config(program.config);
        return EXIT_FAILED;
    }
    catch_signal(&program, &program.interrupt, on_stop, SIGINT);
    catch_signal(&program, &program.terminate, on_stop, SIGTERM);
    error = site_open(&program.site, &program.loop, program.config, &why);
    if (error < 0) {
        program_message("%s", why.text);
    } else {
        catch_signal(&program, &program.hangup, on_hangup, SIGHUP);
        program_message("%d bench%s on %s", program.config->follow_count, program.config->follow_count == 1 ? "" : "es",
                        program.config->bus);
        notify_send("READY=1");
        uv_run(&program.loop, UV_RUN_DEFAULT);
        notify_send("STOPPING=1");
        site_close(program.site);
        uv_close((uv_handle_t *)&program.hangup, NULL);
    }
    uv_close((uv_handle_t *)&program.interrupt, NULL);
    uv_close((uv_handle_t *)&program.terminate, NULL);
    uv_run(&program.loop, UV_RUN_DEFAULT);
    uv_loop_close(&program.loop);
    drop_config(program.config);
    return error < 0 ? EXIT_FAILED : EXIT_DONE;
}

int main(int argc, char **argv)
{
    static const struct option options[] = {
        { "config", required_argument, NULL, 'c' },
        { "help", no_argument, NULL, 'h' },
        { "version", no_argument, NULL, 'V' },
        { NULL, 0, NULL, 0 },
    };
    const char *path = default_config;
    int option;

    program_begin(argv[0]);
    while ((option = getopt_long(argc, argv, "c:hV", options, NULL)) != -1)
        switch (option) {
        case 'c':
            path = optarg;
            break;
        case 'h':
            usage(stdout);
            return EXIT_DONE;
        case 'V':
            program_version();
            return EXIT_DONE;
        default:
            usage(stderr);
            return EXIT_USAGE;
        }
    if (optind < argc) {
        program_message("%s: it takes options only; see --help", argv[optind]);
        return EXIT_USAGE;
    }
    return run(path);
}
