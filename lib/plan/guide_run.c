/* The run of the plan as the guide wants it; see guide.h. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "guide_parts.h"

/* Cut to fit, between characters. */
static void copy_text(char *out, size_t size, const char *text)
{
    size_t length = text ? strnlen(text, size) : 0;

    if (length == size)
        for (length = size - 1; length > 0 && ((unsigned char)text[length] & 0xc0) == 0x80;)
            length--;
    if (length)
        memcpy(out, text, length);
    out[length] = '\0';
}

static double number_of(const json_t *value)
{
    return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

static int count_of(const json_t *json, const char *key)
{
    json_int_t count = json_integer_value(json_object_get(json, key));

    return count < 0 ? 0 : count > 1000000 ? 1000000 : (int)count;
}

static void read_settings(json_t *object, const json_t *tolerances, bool varied, struct guide_run *out)
{
    const char *name;
    json_t *value;

    json_object_foreach(object, name, value)
    {
        struct guide_setting *setting = &out->setting[out->settings];

        if (out->settings == GUIDE_SETTINGS)
            return;
        if (!json_is_number(value) && !json_is_string(value))
            continue;
        copy_text(setting->name, sizeof setting->name, name);
        copy_text(setting->word, sizeof setting->word, json_string_value(value));
        setting->number = number_of(value);
        setting->tolerance = number_of(json_object_get(tolerances, name));
        setting->varied = varied;
        out->settings++;
    }
}

/* [{"steep_s": 150}, ...]: what the other open runs vary. */
static void read_open(const json_t *list, struct guide_run *out)
{
    const char *name;
    json_t *entry, *value;
    size_t i;

    json_array_foreach(list, i, entry)
    {
        json_object_foreach(entry, name, value)
        {
            if (out->open_count == GUIDE_OPEN)
                return;
            if (!json_is_number(value))
                continue;
            copy_text(out->open[out->open_count].name, GUIDE_WORD, name);
            out->open[out->open_count++].number = json_number_value(value);
        }
    }
}

void guide_run_read(const json_t *json, struct guide_run *out)
{
    const json_t *tolerances = json_object_get(json, "tolerances");

    memset(out, 0, sizeof *out);
    copy_text(out->experiment, sizeof out->experiment, json_string_value(json_object_get(json, "experiment")));
    out->run = count_of(json, "run");
    out->of = count_of(json, "of");
    out->replicate = count_of(json, "replicate");
    read_settings(json_object_get(json, "factors"), tolerances, true, out);
    read_settings(json_object_get(json, "recipe"), tolerances, false, out);
    read_open(json_object_get(json, "open"), out);
}

const struct guide_setting *guide_run_setting(const struct guide_run *run, const char *name)
{
    for (int i = 0; i < run->settings; i++)
        if (strcmp(run->setting[i].name, name) == 0)
            return &run->setting[i];
    return NULL;
}

static double written(const struct guide_run *run, const char *name, double *tolerance)
{
    const struct guide_setting *setting = guide_run_setting(run, name);

    *tolerance = setting ? setting->tolerance : (double)NAN;
    return setting ? setting->number : (double)NAN;
}

double guide_planned(const struct guide_run *run, const char *name, double dose_g, double *tolerance)
{
    double within, ignored, planned = written(run, name, &within), ratio = written(run, "ratio", &ignored);

    if (isnan(planned) && ratio > 0 && strcmp(name, "water_g") == 0)
        planned = ratio * (dose_g > 0 ? dose_g : written(run, "dose_g", &ignored));
    else if (isnan(planned) && ratio > 0 && strcmp(name, "dose_g") == 0)
        planned = written(run, "water_g", &ignored) / ratio;
    if (tolerance)
        *tolerance = within;
    return planned;
}

double guide_open_near(const struct guide_run *run, const char *name, double least, double most)
{
    double best = NAN;

    for (int i = 0; i < run->open_count; i++) {
        double number = run->open[i].number;

        if (strcmp(run->open[i].name, name) == 0 && number >= least && number <= most && !(number >= best))
            best = number;
    }
    return best;
}
