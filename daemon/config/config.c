/* The configuration of poised: reading the file line by line, and its sections.
 *
 * inih splits keys from values; lines are counted and bounded here, since inih cuts long ones without a
 * word.  What a key means is config_keys.c, what must hold between sections config_check.c. */
#include "config_parts.h"

#include <assert.h>
#include <errno.h>
#include <ini.h>
#include <libgen.h>
#include <limits.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "poise/place.h"
#include "poise/program.h"

enum {
    JOURNAL_DAYS = 30,      /* long enough to find a logger that was off for a holiday */
    JOURNAL_MB = 2048,      /* a week of one scale that is never switched off */
    REPLICATES = 3,         /* readings per cup (common practice, no source) */
    INSTRUMENTS_MOST = 4096 /* a thousand are expected to work; far more is a mistake */
};

static const double RETAINED_G_PER_G = 2.0; /* liquid held per gram of coffee (common practice, no source) */

struct block {
    struct block *next;
    max_align_t data[];
};

void config_mistake(struct config_reader *reader, int line, const char *format, ...)
{
    struct why sentence = { "" };
    char text[sizeof sentence.text], place[16] = "";
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    program_plain(text);
    if (line > 0)
        snprintf(place, sizeof place, "%d:", line);
    why_set(&sentence, -EINVAL, "%s:%s %s", reader->file, place, text);
    if (reader->mistakes)
        fprintf(reader->mistakes, "%s\n", sentence.text);
    if (reader->mistake_count++ == 0)
        *reader->why = sentence;
}

void *config_keep(struct config_reader *reader, size_t size)
{
    struct block *block = calloc(1, sizeof *block + size);

    if (!block) {
        reader->memory_error = 1;
        return NULL;
    }
    block->next = reader->config->memory;
    reader->config->memory = block;
    return block->data;
}

const char *config_keep_text(struct config_reader *reader, const char *text)
{
    size_t size = strlen(text) + 1;
    char *copy = config_keep(reader, size);

    return copy ? memcpy(copy, text, size) : NULL;
}

/* One more, zeroed, at the end of an array; NULL: no memory. */
static void *append(struct config_reader *reader, void **array, int *count, size_t size)
{
    char *larger = reallocarray(*array, (size_t)*count + 1, size);

    if (!larger) {
        reader->memory_error = 1;
        return NULL;
    }
    *array = larger;
    return memset(larger + (size_t)(*count)++ * size, 0, size);
}

static void open_station(struct config_reader *reader, const char *name)
{
    struct config *config = reader->config;

    for (int i = 0; i < config->station_count; i++)
        if (strcmp(config->stations[i].name, name) == 0) {
            config_mistake(reader, reader->line, "there is a station %s in line %d already; give this one another name",
                           name, config->stations[i].line);
            return;
        }
    struct station_config *station =
        append(reader, (void **)&config->stations, &config->station_count, sizeof *station);
    if (!station)
        return;
    strcpy(station->name, name);
    station->line = reader->line;
    station->tracker.retained_g_per_g = RETAINED_G_PER_G;
    reader->section = SECTION_STATION;
}

static void open_cup(struct config_reader *reader, const char *name)
{
    struct config_cup *cup = &reader->config->cups[reader->config->cup_count];

    for (int i = 0; i < reader->config->cup_count; i++)
        if (strcmp(reader->config->cups[i].name, name) == 0) {
            config_mistake(reader, reader->line, "there is a cup %s in line %d already; give this one another name",
                           name, reader->config->cups[i].line);
            return;
        }
    if (reader->config->cup_count == TRACKER_CUPS) {
        config_mistake(reader, reader->line, "more than %d cups; keep those used most", TRACKER_CUPS);
        return;
    }
    strcpy(cup->name, name);
    cup->mass_g = NAN;
    cup->line = reader->line;
    reader->config->cup_count++;
    reader->section = SECTION_CUP;
}

static void open_instrument(struct config_reader *reader, const char *name)
{
    struct config *config = reader->config;

    for (int i = 0; i < config->instrument_count; i++)
        if (strcmp(config->instruments[i].name, name) == 0) {
            config_mistake(reader, reader->line,
                           "there is an instrument %s in line %d already; give this one another name", name,
                           config->instruments[i].line);
            return;
        }
    if (config->instrument_count == INSTRUMENTS_MOST) {
        config_mistake(reader, reader->line, "more than %d instruments", INSTRUMENTS_MOST);
        return;
    }
    int lines = config->instrument_count;

    if (!append(reader, (void **)&reader->instrument_lines, &lines, sizeof *reader->instrument_lines))
        return;
    struct instrument_config *instrument =
        append(reader, (void **)&config->instruments, &config->instrument_count, sizeof *instrument);
    if (!instrument)
        return;
    strcpy(instrument->name, name);
    instrument->line = reader->line;
    reader->section = SECTION_INSTRUMENT;
}

static void open_client(struct config_reader *reader, const char *name)
{
    struct config *config = reader->config;

    for (int i = 0; i < config->client_count; i++)
        if (strcmp(config->clients[i].name, name) == 0) {
            config_mistake(reader, reader->line, "there is a client %s in line %d already; give this one another name",
                           name, config->clients[i].line);
            return;
        }
    if (config->client_count == CONFIG_CLIENTS_MOST) {
        config_mistake(reader, reader->line, "more than %d clients", CONFIG_CLIENTS_MOST);
        return;
    }
    struct client_config *client = append(reader, (void **)&config->clients, &config->client_count, sizeof *client);
    if (!client)
        return;
    strcpy(client->name, name);
    client->line = reader->line;
    reader->section = SECTION_CLIENT;
}

static void open_follow(struct config_reader *reader, const char *name)
{
    struct config *config = reader->config;

    for (int i = 0; i < config->follow_count; i++)
        if (strcmp(config->follows[i].name, name) == 0) {
            config_mistake(reader, reader->line,
                           "a bench is followed as %s in line %d already; give this one another name", name,
                           config->follows[i].line);
            return;
        }
    if (config->follow_count == CONFIG_FOLLOWS_MOST) {
        config_mistake(reader, reader->line, "more than %d benches", CONFIG_FOLLOWS_MOST);
        return;
    }
    struct follow_config *follow = append(reader, (void **)&config->follows, &config->follow_count, sizeof *follow);
    if (!follow)
        return;
    strcpy(follow->name, name);
    follow->line = reader->line;
    reader->section = SECTION_FOLLOW;
}

/* [bench], [strength], [keys] and [site]: once, without a name. */
static void open_single(struct config_reader *reader, enum config_section section, const char *kind, const char *name)
{
    if (name)
        config_mistake(reader, reader->line, "[%s] takes no name", kind);
    else if (reader->section_first_line[section])
        config_mistake(reader, reader->line, "there is a [%s] in line %d already; put both together", kind,
                       reader->section_first_line[section]);
    else
        reader->section = section;
}

static const struct {
    const char *kind;
    void (*open)(struct config_reader *reader, const char *name); /* NULL: a section without a name */
    enum config_section section;
} sections[] = {
    { "bench", NULL, SECTION_BENCH },          { "station", open_station, SECTION_STATION },
    { "cup", open_cup, SECTION_CUP },          { "instrument", open_instrument, SECTION_INSTRUMENT },
    { "strength", NULL, SECTION_STRENGTH },    { "keys", NULL, SECTION_KEYS },
    { "client", open_client, SECTION_CLIENT }, { "site", NULL, SECTION_SITE },
    { "follow", open_follow, SECTION_FOLLOW },
};

/* A header without its brackets: "station left". */
static void open_section(struct config_reader *reader, char *header)
{
    char *rest = header, *kind = strsep(&rest, " \t"), *name;

    config_section_end(reader);
    reader->section = SECTION_UNKNOWN;
    reader->section_line = reader->line;
    reader->seen = 0;
    name = rest ? rest + strspn(rest, " \t") : NULL;
    if (name && *name == '\0')
        name = NULL;
    for (size_t i = 0; i < sizeof sections / sizeof *sections; i++) {
        if (strcmp(sections[i].kind, kind) != 0)
            continue;
        if (!sections[i].open)
            open_single(reader, sections[i].section, kind, name);
        else if (!name || !name_valid(name))
            config_mistake(reader, reader->line, "[%s NAME] needs a name of 1 to 32 characters a-z 0-9 -", kind);
        else
            sections[i].open(reader, name);
        if (!reader->section_first_line[sections[i].section])
            reader->section_first_line[sections[i].section] = reader->line;
        return;
    }
    config_mistake(reader, reader->line,
                   "no section is called [%s]; there are [bench], [station NAME], [cup NAME], [instrument NAME], "
                   "[strength], [keys] and [client NAME]; for a site [site], [follow NAME], [keys] and [client NAME]",
                   header);
}

/* A line that begins with [ is ours; inih would cut its name and pass over a section without keys. */
static bool read_header(struct config_reader *reader, char *line)
{
    char *end, *after;

    if (*line != '[')
        return false;
    end = strchr(line, ']');
    after = end ? end + 1 + strspn(end + 1, " \t") : NULL;
    if (!end || (*after != '\0' && *after != ';' && *after != '#')) {
        config_section_end(reader);
        reader->section = SECTION_UNKNOWN;
        config_mistake(reader, reader->line, "a section's header is [KIND NAME], alone on its line");
        return true;
    }
    *end = '\0';
    line += 1 + strspn(line + 1, " \t");
    for (end = line + strlen(line); end > line && (end[-1] == ' ' || end[-1] == '\t'); end--)
        end[-1] = '\0';
    open_section(reader, line);
    return true;
}

/* A line whole and without its end, at most size - 1 characters; false at the end of the file. */
static bool read_bounded(struct config_reader *reader, char *out, size_t size)
{
    size_t length = 0;
    bool whole = true, nul = false;
    int byte;

    while ((byte = getc_unlocked(reader->stream)) != EOF && byte != '\n') {
        nul = nul || byte == '\0';
        if (length + 1 < size)
            out[length++] = (char)byte;
        else if (whole)
            whole = false;
    }
    if (byte == EOF && length == 0 && whole)
        return false;
    reader->line++;
    if (length > 0 && out[length - 1] == '\r')
        length--;
    out[length] = '\0';
    if (whole && !nul)
        return true;
    if (nul)
        config_mistake(reader, reader->line, "a NUL byte: this is no text file");
    else
        config_mistake(reader, reader->line, "the line is longer than %zu characters", size - 1);
    out[0] = '\0';
    return true;
}

/* For inih: the next line, without blanks in front of it (so that no line continues another one). */
static char *next_line(char *out, int size, void *context)
{
    static const char byte_order_mark[] = "\xef\xbb\xbf";
    struct config_reader *reader = context;
    char *start = out;

    if (reader->line_open)
        config_mistake(reader, reader->line, "neither a [section] nor `key = value`");
    reader->line_open = false;
    if (!read_bounded(reader, out, (size_t)size))
        return NULL;
    if (reader->line == 1 && strncmp(out, byte_order_mark, sizeof byte_order_mark - 1) == 0)
        start += sizeof byte_order_mark - 1;
    start += strspn(start, " \t");
    if (*start == '\0' || *start == ';' || *start == '#' || read_header(reader, start))
        *out = '\0';
    else {
        memmove(out, start, strlen(start) + 1);
        reader->line_open = true;
    }
    return out;
}

/* For inih: a key and its value; the section is known better here. */
static int take_key(void *context, const char *section, const char *key, const char *value)
{
    struct config_reader *reader = context;

    (void)section;
    reader->line_open = false;
    config_key(reader, key, value ? value : "");
    return 1;
}

static void set_defaults(struct config *config)
{
    char folder[PLACE_FOLDER_SIZE];

    *config = (struct config){
        .bench = "bench", .journal_days = JOURNAL_DAYS, .journal_mb = JOURNAL_MB, .replicates = REPLICATES
    };
    place_runtime(folder, sizeof folder);
    snprintf(config->bus, sizeof config->bus, "ipc://%s/bus", folder);
    snprintf(config->control, sizeof config->control, "ipc://%s/control", folder);
    snprintf(config->journal, sizeof config->journal, "%s/journal.db", place_data(folder, sizeof folder));
}

/* The absolute folder of the file, for relative paths. */
static int find_folder(struct config_reader *reader, const char *path, struct why *why)
{
    char copy[PATH_MAX], whole[PATH_MAX];

    if (strlen(path) >= sizeof copy)
        return why_set(why, -ENAMETOOLONG, "the configuration's path is longer than %d characters", PATH_MAX - 1);
    strcpy(copy, path);
    if (!realpath(dirname(copy), whole))
        return why_set(why, -errno, "%s: %s", path, strerror(errno));
    if (strlen(whole) >= sizeof reader->folder)
        return why_set(why, -ENAMETOOLONG, "%s: the folder's path is longer than %zu characters", path,
                       sizeof reader->folder - 1);
    strcpy(reader->folder, strcmp(whole, "/") == 0 ? "" : whole);
    return 0;
}

static int open_file(struct config_reader *reader, const char *path, struct why *why)
{
    struct stat status;
    int error = find_folder(reader, path, why);

    if (error < 0)
        return error;
    reader->stream = fopen(path, "re");
    if (!reader->stream)
        return why_set(why, -errno, "%s: %s", path, strerror(errno));
    if (fstat(fileno(reader->stream), &status) == 0 && !S_ISREG(status.st_mode) && !S_ISFIFO(status.st_mode)) {
        fclose(reader->stream);
        return why_set(why, -EISDIR, "%s: not a file; name the configuration file itself", path);
    }
    return 0;
}

/* No file, or one that names neither station nor instrument: one station, and whatever instruments describe
 * themselves. */
static int add_station(struct config *config, struct why *why)
{
    config->stations = calloc(1, sizeof *config->stations);
    if (!config->stations)
        return why_set(why, -ENOMEM, "no memory for the configuration");
    config->station_count = 1;
    strcpy(config->stations[0].name, "bench");
    config->stations[0].tracker.retained_g_per_g = RETAINED_G_PER_G;
    return 0;
}

int config_read(struct config *out, const char *path, FILE *mistakes, struct why *why)
{
    struct config config;
    struct config_reader reader = { .file = path, .mistakes = mistakes, .why = why, .config = &config };
    int error;

    set_defaults(&config);
    if (!path) {
        if ((error = add_station(&config, why)) == 0)
            *out = config;
        return error;
    }
    error = open_file(&reader, path, why);
    if (error < 0)
        return error;
    ini_parse_stream(next_line, &reader, take_key, &reader);
    config_section_end(&reader);
    if (ferror(reader.stream))
        config_mistake(&reader, 0, "could not be read to its end");
    fclose(reader.stream);
    config_check(&reader);
    free(reader.instrument_lines);
    if (reader.mistake_count == 0 && config.station_count == 0 && !config.site
        && (error = add_station(&config, why)) < 0) {
        config_free(&config);
        return error;
    }
    if (reader.mistake_count == 0 && !reader.memory_error) {
        *out = config;
        return 0;
    }
    config_free(&config);
    if (reader.memory_error)
        return why_set(why, -ENOMEM, "%s: no memory for the configuration", path);
    return -EINVAL;
}

int config_copy_bare(struct config *out, const struct config *from, struct why *why)
{
    struct config copy = *from;
    size_t bytes = (size_t)from->station_count * sizeof *from->stations;

    assert(!from->site);
    copy.instruments = NULL;
    copy.instrument_count = 0;
    copy.memory = NULL; /* only an instrument's words lie there */
    copy.stations = malloc(bytes);
    copy.clients = malloc((size_t)from->client_count * sizeof *from->clients + 1);
    if (!copy.stations || !copy.clients) {
        free(copy.stations);
        free(copy.clients);
        return why_set(why, -ENOMEM, "no memory for the configuration");
    }
    memcpy(copy.stations, from->stations, bytes);
    if (from->client_count)
        memcpy(copy.clients, from->clients, (size_t)from->client_count * sizeof *from->clients);
    *out = copy;
    return 0;
}

void config_free(struct config *config)
{
    struct block *next;

    for (int i = 0; i < config->instrument_count; i++)
        free((struct setting *)config->instruments[i].settings);
    for (struct block *block = config->memory; block; block = next) {
        next = block->next;
        free(block);
    }
    free(config->stations);
    free(config->instruments);
    free(config->clients);
    free(config->follows);
    *config = (struct config){ .station_count = 0 };
}
