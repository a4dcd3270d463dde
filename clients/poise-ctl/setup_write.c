/* The configuration: what setup adds stands behind what a person wrote, which stays as it is. */
#include <errno.h>
#include <limits.h>
#include <libgen.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "poise/place.h"
#include "poise/program.h"
#include "setup_parts.h"

void setup_section(struct text *out, const json_t *found, const char *name, const char *station, const char *weighs)
{
    const char *key, *serial = ctl_text(found, "serial"), *check = ctl_text(found, "check");
    json_t *value;

    text_print(out, "[instrument %s]\n", name);
    if (*check)
        text_print(out, "; check: %s\n", check);
    text_print(out, "driver   = %s\nport     = %s\n", ctl_text(found, "driver"), ctl_text(found, "port"));
    if (*serial)
        text_print(out, "serial   = %s\n", serial);
    text_print(out, "quantity = %s\n", ctl_text(found, "quantity"));
    json_object_foreach(json_object_get(found, "settings"), key, value)
        text_print(out, "%-8s = %s\n", key, json_string_value(value));
    if (station)
        text_print(out, "station  = %s\n", station);
    if (weighs)
        text_print(out, "weighs   = %s\n", weighs);
}

/* What stands in the file; nothing where there is none. */
static int read_file(const char *path, struct text *out)
{
    FILE *file = fopen(path, "re");
    char bytes[4096];
    size_t got;
    bool whole;

    if (!file)
        return errno == ENOENT ? 0 : -errno;
    while ((got = fread(bytes, 1, sizeof bytes, file)) > 0)
        text_add(out, bytes, got);
    whole = !ferror(file) && !out->failed;
    fclose(file);
    return whole ? 0 : -EIO;
}

static void make_folder_of(const char *path)
{
    char copy[PATH_MAX];

    snprintf(copy, sizeof copy, "%s", path);
    for (char *slash = strchr(copy + 1, '/'); slash; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        mkdir(copy, 0755);
        *slash = '/';
    }
}

/* A new file beside the one that it will replace, on the disk when this returns. */
static int write_beside(const char *path, const char *beside, const struct text *text)
{
    struct stat before;
    FILE *file = fopen(beside, "we");
    bool good;

    if (!file)
        return -errno;
    good = fwrite(text->data, 1, text->length, file) == text->length && fflush(file) == 0 && fsync(fileno(file)) == 0;
    /* whose it was, it stays */
    if (good && stat(path, &before) == 0)
        good = fchmod(fileno(file), before.st_mode & 07777) == 0
               && fchown(fileno(file), before.st_uid, before.st_gid) == 0;
    else if (good)
        good = fchmod(fileno(file), 0644) == 0;
    if (fclose(file) != 0 || !good) {
        unlink(beside);
        return errno ? -errno : -EIO;
    }
    return 0;
}

/* poised itself judges it. */
static bool is_good(const char *path)
{
    struct text said = { 0 };
    json_t *config = ctl_configuration(path, &said);

    if (!config && said.data)
        fputs(said.data, stderr);
    text_free(&said);
    json_decref(config);
    return config != NULL;
}

static int replace(const char *path, const struct text *text)
{
    char beside[PATH_MAX + 8];
    int error;

    make_folder_of(path);
    snprintf(beside, sizeof beside, "%s.setup", path);
    if ((error = write_beside(path, beside, text)) < 0)
        return error;
    if (!is_good(beside)) {
        program_message("what would be written has a mistake; nothing was changed, and %s shows it", beside);
        return -EINVAL;
    }
    if (rename(beside, path) == 0)
        return 0;
    error = -errno;
    unlink(beside);
    return error;
}

/* In the person's own folder, and the command that puts it where it belongs. */
static int write_elsewhere(struct setup *setup, const struct text *text)
{
    char folder[PLACE_FOLDER_SIZE], path[PLACE_FOLDER_SIZE + 16];
    int error;

    snprintf(path, sizeof path, "%s/poised.conf", place_own_data(folder, sizeof folder));
    if ((error = replace(path, text)) < 0) {
        if (error != -EINVAL)
            program_message("%s: %s", path, strerror(-error));
        return SETUP_FAILED;
    }
    printf("   Only root may write %s; it is in %s for now.\n", setup->file, path);
    text_print(&setup->paste, "sudo install -D -m 644 %s %s\n", path, setup->file);
    setup->elsewhere = true;
    return SETUP_DONE;
}

int setup_write(struct setup *setup)
{
    struct text text = { 0 };
    time_t now = time(NULL);
    char day[16] = "";
    struct tm local;
    int error, result = SETUP_DONE;

    if ((error = read_file(setup->file, &text)) < 0) {
        text_free(&text);
        program_message("%s: %s", setup->file, strerror(-error));
        return SETUP_FAILED;
    }
    if (localtime_r(&now, &local))
        strftime(day, sizeof day, "%Y-%m-%d", &local);
    if (text.length > 0 && text.data[text.length - 1] != '\n')
        text_add(&text, "\n", 1);
    text_print(&text, "%s; added by poise-ctl setup, %s\n\n", text.length > 0 ? "\n" : "", day);
    text_add(&text, setup->added.data, setup->added.length);
    if (text.failed) {
        text_free(&text);
        program_message("out of memory");
        return SETUP_FAILED;
    }
    error = replace(setup->file, &text);
    if (error == -EACCES || error == -EPERM || error == -EROFS || error == -ENOENT) {
        result = write_elsewhere(setup, &text);
    } else if (error < 0) {
        if (error != -EINVAL)
            program_message("%s: %s", setup->file, strerror(-error));
        result = SETUP_FAILED;
    } else {
        printf("   %s is written, and poised calls it good.\n", setup->file);
    }
    text_free(&text);
    return result;
}
