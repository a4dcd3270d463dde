/* The configuration's keys: their one list, and what each sets. */
#include "config_parts.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "config_values.h"
#include "poise/uncertainty.h"

/* Ranges refuse slips of the finger, not taste. */
enum {
    DAYS_MOST = 36500,
    JOURNAL_MB_LEAST = 16,     /* less holds no morning */
    JOURNAL_MB_MOST = 1 << 20, /* a terabyte */
    REPLICATES_MOST = 20,
    BRIX_MOST = 30,    /* of coffee, also the strongest */
    LAG_MOST_MS = 5000 /* a filter slower than that follows no pour */
};

struct key {
    enum config_section section;
    const char *name;
    int (*set)(struct config_reader *reader, const struct key *key, const char *value, struct why *why);
    double least, most;
    const char *missing; /* a section without it: what to write; NULL: it may be left out */
};

static struct station_config *station(struct config_reader *reader)
{
    return &reader->config->stations[reader->config->station_count - 1];
}

static struct instrument_config *instrument(struct config_reader *reader)
{
    return &reader->config->instruments[reader->config->instrument_count - 1];
}

static int set_name(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    if (!name_valid(value))
        return why_set(why, -EINVAL, "a bench's name has 1 to 32 characters a-z 0-9 -");
    strcpy(reader->config->bench, value);
    return 0;
}

static int set_bus(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_addresses(reader->folder, value, reader->config->bus, why);
}

static int set_control(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_addresses(reader->folder, value, reader->config->control, why);
}

static int set_journal(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_path(reader->folder, value, reader->config->journal, sizeof reader->config->journal, why);
}

static int set_journal_days(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_whole_number(value, 1, DAYS_MOST, &reader->config->journal_days, why);
}

static int set_journal_mb(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_whole_number(value, JOURNAL_MB_LEAST, JOURNAL_MB_MOST, &reader->config->journal_mb, why);
}

/* There for completeness: masses are in grams. */
static int set_mass_unit(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)reader;
    (void)key;
    return strcmp(value, "g") == 0 ? 0 : why_set(why, -EINVAL, "masses are shown in g");
}

static int set_pressure_unit(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    char name[8] = "";

    (void)key;
    for (size_t i = 0; i < sizeof name - 1 && value[i]; i++)
        name[i] = (char)tolower((unsigned char)value[i]);
    return strlen(value) < sizeof name && guide_units_pressure(name, &reader->config->units)
               ? 0
               : why_set(why, -EINVAL, "pressures are shown in kPa, bar or psi");
}

static int set_temperature_unit(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    char name[2] = { (char)tolower((unsigned char)value[0]), '\0' };

    (void)key;
    return strlen(value) == 1 && guide_units_temperature(name, &reader->config->units)
               ? 0
               : why_set(why, -EINVAL, "temperatures are shown in C or F");
}

static int set_piston(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    return config_number(value, key->least, key->most, &station(reader)->tracker.piston_diameter_mm, why);
}

static int set_press_limit(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    return config_number(value, key->least, key->most, &station(reader)->tracker.press_limit_kpa, why);
}

static int set_retained(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    return config_number(value, key->least, key->most, &station(reader)->tracker.retained_g_per_g, why);
}

static int set_last_drops(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    return config_number(value, key->least, key->most, &station(reader)->tracker.last_drops_g, why);
}

static int set_cup_mass(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    return config_number(value, key->least, key->most, &reader->config->cups[reader->config->cup_count - 1].mass_g,
                         why);
}

static int keep_text(struct config_reader *reader, const char *value, const char **out, struct why *why)
{
    *out = config_keep_text(reader, value);
    return *out ? 0 : why_set(why, -ENOMEM, "no memory");
}

static int set_driver(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    char names[160] = "";

    (void)key;
    if (driver_find(value))
        return keep_text(reader, value, &instrument(reader)->driver, why);
    for (const struct driver *const *driver = drivers; *driver; driver++)
        snprintf(names + strlen(names), sizeof names - strlen(names), "%s%s", *names ? ", " : "", (*driver)->name);
    return why_set(why, -EINVAL, "no driver of that name; there are: %s", names);
}

static int set_port(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    char path[CONFIG_PATH_SIZE];
    int error;

    (void)key;
    if (strncmp(value, "usb:", 4) == 0 || strncmp(value, "usb-port:", 9) == 0)
        return keep_text(reader, value, &instrument(reader)->port, why);
    if (!strchr(value, '/'))
        return why_set(why, -EINVAL, "write the whole path, as /dev/%s; a name alone would be a file beside this one",
                       value);
    error = config_path(reader->folder, value, path, sizeof path, why);
    return error < 0 ? error : keep_text(reader, path, &instrument(reader)->port, why);
}

static int set_serial(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key; /* checked where the driver's transport is known */
    return keep_text(reader, value, &instrument(reader)->serial, why);
}

static int set_dtr(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key; /* as serial */
    return keep_text(reader, value, &instrument(reader)->dtr, why);
}

static int set_rts(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return keep_text(reader, value, &instrument(reader)->rts, why);
}

static int set_quantity(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    enum quantity quantity = quantity_find(value);

    (void)key;
    instrument(reader)->quantity = quantity ? quantity : QUANTITY_COUNT; /* wrong is not missing: said only once */
    if (quantity == QUANTITY_NONE)
        return why_set(why, -EINVAL,
                       "the quantities are mass, strength, brix, refractive-index, temperature "
                       "and pressure");
    return 0;
}

static int set_weighs(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key; /* whether it weighs at all shows at the end */
    instrument(reader)->weighs_line = reader->line;
    instrument(reader)->weighs_cup = strcmp(value, "cup") == 0;
    if (!instrument(reader)->weighs_cup && strcmp(value, "brew") != 0)
        return why_set(why, -EINVAL,
                       "a scale weighs the brew (what the brewer stands on) or the cup (a second scale, "
                       "under the cup)");
    return 0;
}

static int set_station(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key; /* whether there is such a station shows at the end */
    if (!name_valid(value))
        return why_set(why, -EINVAL, "write the name of a [station NAME]");
    strcpy(instrument(reader)->station, value);
    return 0;
}

static int keep_bytes(struct config_reader *reader, const uint8_t *data, size_t length, struct bytes *out,
                      struct why *why)
{
    uint8_t *copy = config_keep(reader, length + 1);

    if (!copy)
        return why_set(why, -ENOMEM, "no memory");
    memcpy(copy, data, length);
    *out = (struct bytes){ copy, length };
    return 0;
}

static int set_ask(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    uint8_t data[CONFIG_BYTES_MOST];
    size_t length;
    int error = config_ask(value, data, &length, &instrument(reader)->ask_every_ms, why);

    (void)key;
    return error < 0 ? error : keep_bytes(reader, data, length, &instrument(reader)->ask, why);
}

static int set_order(struct config_reader *reader, enum order order, const char *value, struct why *why)
{
    uint8_t data[CONFIG_BYTES_MOST];
    size_t length;
    int error = config_bytes(value, strlen(value), data, &length, why);

    if (error == 0 && length == 0)
        error = why_set(why, -EINVAL, "write the bytes that the instrument understands, as T\\r\\n");
    return error < 0 ? error : keep_bytes(reader, data, length, &instrument(reader)->orders[order], why);
}

static int set_tare(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return set_order(reader, ORDER_TARE, value, why);
}

static int set_zero(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return set_order(reader, ORDER_ZERO, value, why);
}

static int set_lag(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    double lag_ms;
    int error = config_number(value, key->least, key->most, &lag_ms, why);

    if (error == 0)
        instrument(reader)->lag_us = (int64_t)(lag_ms * 1000 + 0.5);
    return error;
}

static int set_calibration(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_yes_or_no(value, &instrument(reader)->calibrated, why);
}

static int set_accuracy(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    return config_number(value, key->least, key->most, &instrument(reader)->accuracy, why);
}

static int set_corrects_temperature(struct config_reader *reader, const struct key *key, const char *value,
                                    struct why *why)
{
    bool corrects = true;
    int error = config_yes_or_no(value, &corrects, why);

    (void)key;
    if (!error)
        instrument(reader)->follows_temperature = !corrects;
    return error;
}

static int set_replicates(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_whole_number(value, 1, REPLICATES_MOST, &reader->config->replicates, why);
}

static int set_strength_per_brix(struct config_reader *reader, const struct key *key, const char *value,
                                 struct why *why)
{
    return config_number(value, key->least, key->most, &reader->config->strength_per_brix, why);
}

enum { PAIRS_LEAST = 3, PAIRS_MOST = 50 }; /* fewer do not show how they miss their line */

/* Nothing but blanks up to its end. */
static bool is_over(const char *text)
{
    return text[strspn(text, " \t")] == '\0';
}

/* "1.20 = 1.02 +- 0.01", u NAN where it has none.  False: it is no pair. */
static bool read_pair(char *text, double *brix, double *strength, double *u)
{
    char *equals = strchr(text, '='), *plus = strstr(text, "+-"), *end;

    if (!equals)
        return false;
    *equals = '\0';
    *brix = strtod(text, &end);
    if (end == text || !is_over(end))
        return false;
    if (plus)
        *plus = '\0';
    *strength = strtod(equals + 1, &end);
    if (end == equals + 1 || !is_over(end))
        return false;
    *u = NAN;
    if (plus) {
        *u = strtod(plus + 2, &end);
        if (end == plus + 2 || !is_over(end) || !(*u > 0 && *u < BRIX_MOST))
            return false;
    }
    return *brix > 0 && *brix <= BRIX_MOST && *strength > 0 && *strength <= BRIX_MOST;
}

/* The bench's own calibration: what the refractometer showed, and what oven or reference instrument found. */
static int set_pairs(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    double brix[PAIRS_MOST], strength[PAIRS_MOST], u[PAIRS_MOST];
    char text[1024], *rest = text, *one;
    int count = 0, with_u = 0;

    (void)key;
    if (strlen(value) >= sizeof text)
        return why_set(why, -EINVAL, "write at most %zu characters", sizeof text - 1);
    strcpy(text, value);
    while ((one = strsep(&rest, ","))) {
        if (count == PAIRS_MOST || !read_pair(one, &brix[count], &strength[count], &u[count]))
            return why_set(why, -EINVAL, "write up to %d pairs of Brix and strength: 1.20 = 1.02, 1.65 = 1.41 +- 0.02",
                           PAIRS_MOST);
        with_u += !isnan(u[count++]);
    }
    if (count < PAIRS_LEAST || (with_u && with_u < count))
        return why_set(why, -EINVAL, "write %d pairs or more, and an uncertainty with each or with none", PAIRS_LEAST);
    if (!uncertainty_of_ratio(brix, strength, with_u ? u : NULL, (size_t)count, &reader->config->strength_per_brix,
                              &reader->config->strength_per_brix_u))
        return why_set(why, -EINVAL, "no line goes through these pairs");
    reader->config->strength_pairs = count;
    return 0;
}

static int set_filtered(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_yes_or_no(value, &reader->config->filtered, why);
}

static struct client_config *client(struct config_reader *reader)
{
    return &reader->config->clients[reader->config->client_count - 1];
}

static int set_secret(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_path(reader->folder, value, reader->config->secret, sizeof reader->config->secret, why);
}

static int set_control_group(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key; /* whether there is such a group may change while we run */
    if (strlen(value) >= sizeof reader->config->control_group)
        return why_set(why, -EINVAL, "write the name of a group of this machine");
    strcpy(reader->config->control_group, value);
    return 0;
}

static int set_client_key(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    if (key_read(value, strlen(value), client(reader)->key) != 0)
        return why_set(why, -EINVAL,
                       "a public key is the %d digits that `poise-ctl keys new` printed on the client's machine",
                       KEY_TEXT_SIZE - 1);
    client(reader)->has_key = true;
    for (int i = 0; i < reader->config->client_count - 1; i++)
        if (memcmp(reader->config->clients[i].key, client(reader)->key, KEY_BYTES) == 0)
            return why_set(why, -EINVAL, "client %s (line %d) has this key already; each needs its own",
                           reader->config->clients[i].name, reader->config->clients[i].line);
    return 0;
}

static int set_client_role(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    client(reader)->role = strcmp(value, "control") == 0 ? ROLE_CONTROL : ROLE_READ;
    if (client(reader)->role == ROLE_READ && strcmp(value, "read") != 0)
        return why_set(why, -EINVAL, "a role is read (listen, ask and record) or control (give orders too)");
    return 0;
}

static struct follow_config *follow(struct config_reader *reader)
{
    return &reader->config->follows[reader->config->follow_count - 1];
}

static int set_follow_bus(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return strchr(value, ',') ? why_set(why, -EINVAL, "write one address: a bench is followed once")
                              : config_addresses(reader->folder, value, follow(reader)->bus, why);
}

static int set_follow_key(struct config_reader *reader, const struct key *key, const char *value, struct why *why)
{
    (void)key;
    return config_path(reader->folder, value, follow(reader)->key, sizeof follow(reader)->key, why);
}

/* Ranges of the trade's things, generously (common practice, no source). */
static const struct key keys[] = {
    { SECTION_BENCH, "name", set_name, 0, 0, NULL },
    { SECTION_BENCH, "bus", set_bus, 0, 0, NULL },
    { SECTION_BENCH, "control", set_control, 0, 0, NULL },
    { SECTION_BENCH, "journal", set_journal, 0, 0, NULL },
    { SECTION_BENCH, "journal_days", set_journal_days, 0, 0, NULL },
    { SECTION_BENCH, "journal_mb", set_journal_mb, 0, 0, NULL },
    { SECTION_BENCH, "mass", set_mass_unit, 0, 0, NULL },
    { SECTION_BENCH, "pressure", set_pressure_unit, 0, 0, NULL },
    { SECTION_BENCH, "temperature", set_temperature_unit, 0, 0, NULL },
    { SECTION_STATION, "piston_diameter_mm", set_piston, 10, 300, NULL },
    { SECTION_STATION, "press_limit_kpa", set_press_limit, 1, 1000, NULL },
    { SECTION_STATION, "retained_g_per_g", set_retained, 0.5, 10, NULL },
    { SECTION_STATION, "last_drops_g", set_last_drops, 0.5, 50, NULL },
    { SECTION_CUP, "mass_g", set_cup_mass, 1, 20000, "what it weighs empty, in grams" },
    { SECTION_INSTRUMENT, "driver", set_driver, 0, 0, "driver = line (poised --drivers lists them)" },
    { SECTION_INSTRUMENT, "port", set_port, 0, 0, "port = /dev/serial/by-id/..." },
    { SECTION_INSTRUMENT, "serial", set_serial, 0, 0, NULL },
    { SECTION_INSTRUMENT, "dtr", set_dtr, 0, 0, NULL },
    { SECTION_INSTRUMENT, "rts", set_rts, 0, 0, NULL },
    { SECTION_INSTRUMENT, "quantity", set_quantity, 0, 0, NULL },
    { SECTION_INSTRUMENT, "station", set_station, 0, 0, NULL },
    { SECTION_INSTRUMENT, "weighs", set_weighs, 0, 0, NULL },
    { SECTION_INSTRUMENT, "ask", set_ask, 0, 0, NULL },
    { SECTION_INSTRUMENT, "tare", set_tare, 0, 0, NULL },
    { SECTION_INSTRUMENT, "zero", set_zero, 0, 0, NULL },
    { SECTION_INSTRUMENT, "lag_ms", set_lag, 0, LAG_MOST_MS, NULL },
    { SECTION_INSTRUMENT, "accuracy", set_accuracy, 0.0001, 5, NULL },
    { SECTION_INSTRUMENT, "calibration", set_calibration, 0, 0, NULL },
    { SECTION_INSTRUMENT, "corrects_temperature", set_corrects_temperature, 0, 0, NULL },
    { SECTION_STRENGTH, "replicates", set_replicates, 0, 0, NULL },
    { SECTION_STRENGTH, "strength_per_brix", set_strength_per_brix, 0.5, 1.5, NULL },
    { SECTION_STRENGTH, "pairs", set_pairs, 0, 0, NULL },
    { SECTION_STRENGTH, "filtered", set_filtered, 0, 0, NULL },
    { SECTION_KEYS, "secret", set_secret, 0, 0, NULL },
    { SECTION_KEYS, "control_group", set_control_group, 0, 0, NULL },
    { SECTION_CLIENT, "key", set_client_key, 0, 0, "the client's public key (poise-ctl keys new FILE prints it)" },
    { SECTION_CLIENT, "role", set_client_role, 0, 0, "read, or control" },
    { SECTION_SITE, "bus", set_bus, 0, 0, "where the site is listened to, as bus = tcp://192.168.7.2:7400" },
    { SECTION_FOLLOW, "bus", set_follow_bus, 0, 0, "where the bench is listened to, as bus = tcp://192.168.7.20:7401" },
    { SECTION_FOLLOW, "key", set_follow_key, 0, 0, NULL },
};
_Static_assert(sizeof keys / sizeof *keys <= CONFIG_KEYS_MOST, "one bit of config_reader.seen for each");

/* A key that only the driver knows; it is asked when the section is complete. */
static void keep_setting(struct config_reader *reader, const char *key, const char *value)
{
    struct instrument_config *one = instrument(reader);
    struct setting *settings;

    for (size_t i = 0; i < one->setting_count; i++)
        if (strcmp(one->settings[i].key, key) == 0) {
            config_mistake(reader, reader->line, "%s is given in line %d already", key, one->settings[i].line);
            return;
        }
    settings = reallocarray((struct setting *)one->settings, one->setting_count + 1, sizeof *settings);
    if (!settings) {
        reader->memory_error = 1;
        return;
    }
    one->settings = settings;
    settings[one->setting_count++] = (struct setting){ .key = config_keep_text(reader, key),
                                                       .value = config_keep_text(reader, value),
                                                       .line = reader->line };
    if (reader->memory_error)
        one->setting_count--;
}

static void unknown_key(struct config_reader *reader, const char *name)
{
    char names[240] = "";

    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (keys[i].section == reader->section)
            snprintf(names + strlen(names), sizeof names - strlen(names), "%s%s", *names ? ", " : "", keys[i].name);
    config_mistake(reader, reader->line, "no key is called %s here; there are: %s", name, names);
}

void config_key(struct config_reader *reader, const char *name, const char *value)
{
    struct why why = { "" };

    if (reader->section == SECTION_UNKNOWN)
        return;
    if (reader->section == SECTION_NONE) {
        config_mistake(reader, reader->line, "%s comes before the first [section]", name);
        return;
    }
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++) {
        if (keys[i].section != reader->section || strcmp(keys[i].name, name) != 0)
            continue;
        if (reader->seen & UINT64_C(1) << i)
            config_mistake(reader, reader->line, "%s is given in line %d already", name, reader->seen_line[i]);
        else if (*value == '\0')
            config_mistake(reader, reader->line, "%s has no value (a ; after a blank begins a comment)", name);
        else if (keys[i].set(reader, &keys[i], value, &why) < 0)
            config_mistake(reader, reader->line, "%s = %s: %s", name, value, why.text);
        reader->seen |= UINT64_C(1) << i;
        reader->seen_line[i] = reader->line;
        return;
    }
    if (reader->section == SECTION_INSTRUMENT)
        keep_setting(reader, name, value);
    else
        unknown_key(reader, name);
}

/* Where what must be said is missing, an example of the kind that fits. */
static const char *missing_words(struct config_reader *reader, const struct key *key)
{
    const struct driver *driver = reader->section == SECTION_INSTRUMENT && instrument(reader)->driver
                                      ? driver_find(instrument(reader)->driver)
                                      : NULL;

    if (key->set == set_port && driver && driver->transport == TRANSPORT_USB)
        return "port = usb:VID:PID with the four digits that lsusb shows, or usb-port:1-1.2";
    return key->missing;
}

static void keep_lines(const struct config_reader *reader, int *out)
{
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        out[i] = (reader->seen & UINT64_C(1) << i) != 0 ? reader->seen_line[i] : 0;
}

void config_section_end(struct config_reader *reader)
{
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (keys[i].section == reader->section && keys[i].missing && !(reader->seen & UINT64_C(1) << i))
            config_mistake(reader, reader->section_line, "%s is missing: %s", keys[i].name,
                           missing_words(reader, &keys[i]));
    if (reader->section == SECTION_INSTRUMENT)
        keep_lines(reader, reader->instrument_lines[reader->config->instrument_count - 1]);
    else if (reader->section == SECTION_BENCH)
        keep_lines(reader, reader->bench_lines);
}

int config_line_of(const struct config_reader *reader, int instrument, const char *key)
{
    enum config_section section = instrument < 0 ? SECTION_BENCH : SECTION_INSTRUMENT;
    const int *lines = instrument < 0 ? reader->bench_lines : reader->instrument_lines[instrument];

    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (keys[i].section == section && strcmp(keys[i].name, key) == 0 && lines[i] > 0)
            return lines[i];
    return instrument < 0 ? reader->section_first_line[SECTION_BENCH] : reader->config->instruments[instrument].line;
}
