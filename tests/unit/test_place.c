/* Where a program finds its bench, and which places it does not trust. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "poise/place.h"

enum { NOBODY = 65534 };

static int clear_environment(void **state)
{
    static const char *const names[] = { "POISE_BUS",         "POISE_CONTROL",   "POISE_STORE", "XDG_DATA_HOME",
                                         "RUNTIME_DIRECTORY", "STATE_DIRECTORY", NULL };

    (void)state;
    for (const char *const *name = names; *name; name++)
        unsetenv(*name);
    setenv("XDG_RUNTIME_DIR", "/made/up", 1);
    setenv("HOME", "/home/bench", 1);
    return 0;
}

/* This machine may have a bench of its own, which comes before the user's. */
static void skip_beside_a_system_bench(void)
{
    if (access("/run/poise/bus", F_OK) == 0 || access("/var/lib/poise/store.db", F_OK) == 0)
        skip();
}

static void the_option_wins(void **state)
{
    char place[256];

    (void)state;
    setenv("POISE_BUS", "ipc:///from/environment", 1);
    assert_string_equal(place_bus("ipc:///from/option", place, sizeof place), "ipc:///from/option");
    assert_string_equal(place_bus(NULL, place, sizeof place), "ipc:///from/environment");
}

static void an_empty_variable_counts_as_unset(void **state)
{
    char place[256];

    (void)state;
    skip_beside_a_system_bench();
    setenv("POISE_CONTROL", "", 1);
    if (geteuid() == 0) {
        assert_string_equal(place_control(NULL, place, sizeof place), "ipc:///run/poise/control");
        return;
    }
    assert_string_equal(place_control(NULL, place, sizeof place), "ipc:///made/up/poise/control");
}

/* Never /tmp: whoever makes the folder first would be the bench. */
static void without_a_runtime_folder_there_is_the_users_own_data(void **state)
{
    char place[256];

    (void)state;
    skip_beside_a_system_bench();
    if (geteuid() == 0)
        skip();
    unsetenv("XDG_RUNTIME_DIR");
    assert_string_equal(place_bus(NULL, place, sizeof place), "ipc:///home/bench/.local/share/poise/bus");
    unsetenv("HOME");
    assert_null(strstr(place_bus(NULL, place, sizeof place), "/tmp"));
}

static void the_store_is_the_users(void **state)
{
    char place[256];

    (void)state;
    skip_beside_a_system_bench();
    assert_string_equal(place_store(NULL, place, sizeof place), "/home/bench/.local/share/poise/store.db");
    setenv("XDG_DATA_HOME", "/made/up/data", 1);
    assert_string_equal(place_store(NULL, place, sizeof place), "/made/up/data/poise/store.db");
    setenv("POISE_STORE", "/srv/cups.db", 1);
    assert_string_equal(place_store(NULL, place, sizeof place), "/srv/cups.db");
    assert_string_equal(place_store("mine.db", place, sizeof place), "mine.db");
}

/* systemd.exec(5): what RuntimeDirectory= and StateDirectory= made. */
static void a_service_lives_where_its_manager_says(void **state)
{
    char place[256];

    (void)state;
    setenv("RUNTIME_DIRECTORY", "/run/poise", 1);
    setenv("STATE_DIRECTORY", "/var/lib/poise", 1);
    assert_string_equal(place_runtime(place, sizeof place), "/run/poise");
    assert_string_equal(place_data(place, sizeof place), "/var/lib/poise");
    assert_string_equal(place_store(NULL, place, sizeof place), "/var/lib/poise/store.db");
    /* the logger's service, up while poised is still down: not to wait at another address for ever */
    unsetenv("RUNTIME_DIRECTORY");
    assert_string_equal(place_bus(NULL, place, sizeof place), "ipc:///run/poise/bus");
}

static void root_has_the_systems_bench(void **state)
{
    char place[256];

    (void)state;
    if (geteuid() != 0)
        skip();
    assert_string_equal(place_runtime(place, sizeof place), "/run/poise");
    assert_string_equal(place_data(place, sizeof place), "/var/lib/poise");
}

static void only_ones_own_folder_is_trusted(void **state)
{
    char folder[] = "/tmp/poise-place-XXXXXX", path[64], missing[80], turned[64], through[80];
    struct why why = { "" };
    FILE *file;

    (void)state;
    assert_non_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/bus", folder);
    snprintf(missing, sizeof missing, "%s/not/yet/bus", folder);
    assert_int_equal(place_trusted(path, &why), 0);
    assert_int_equal(place_trusted(missing, &why), 0);

    assert_int_equal(chmod(folder, 0777), 0);
    assert_int_equal(place_trusted(path, &why), -EPERM);
    assert_non_null(strstr(why.text, "any user may write"));
    assert_int_equal(chmod(folder, 0750), 0);

    if (geteuid() == 0) { /* root is not exempt */
        file = fopen(path, "w");
        assert_non_null(file);
        fclose(file);
        assert_int_equal(place_trusted(path, &why), 0);
        assert_int_equal(chown(path, NOBODY, NOBODY), 0);
        assert_int_equal(place_trusted(path, &why), -EPERM);
        assert_non_null(strstr(why.text, "another user"));
        unlink(path);
        assert_int_equal(chown(folder, NOBODY, NOBODY), 0);
        assert_int_equal(place_trusted(path, &why), -EPERM);
        assert_int_equal(place_trusted(missing, &why), -EPERM);
        assert_int_equal(chown(folder, 0, 0), 0);
        snprintf(turned, sizeof turned, "%s-link", folder); /* a stranger's link, which may be turned later */
        assert_int_equal(symlink(folder, turned), 0);
        snprintf(through, sizeof through, "%s/bus", turned);
        assert_int_equal(place_trusted(through, &why), 0);
        assert_int_equal(lchown(turned, NOBODY, NOBODY), 0);
        assert_int_equal(place_trusted(through, &why), -EPERM);
        unlink(turned);
    }
    rmdir(folder);
}

static void what_anybody_could_make_first_is_not_trusted(void **state)
{
    struct why why = { "" };

    (void)state;
    assert_int_equal(place_trusted("/tmp/poise-that-is-not-there/bus", &why), -EPERM);
    assert_int_equal(place_trusted("relative/bus", &why), -EINVAL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(the_option_wins, clear_environment),
        cmocka_unit_test_setup(an_empty_variable_counts_as_unset, clear_environment),
        cmocka_unit_test_setup(without_a_runtime_folder_there_is_the_users_own_data, clear_environment),
        cmocka_unit_test_setup(the_store_is_the_users, clear_environment),
        cmocka_unit_test_setup(a_service_lives_where_its_manager_says, clear_environment),
        cmocka_unit_test_setup(root_has_the_systems_bench, clear_environment),
        cmocka_unit_test(only_ones_own_folder_is_trusted),
        cmocka_unit_test(what_anybody_could_make_first_is_not_trusted),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
