/* The configuration of poised, or of a site: read whole, checked whole, or refused with a line number.
 * It owns its memory; nothing else of the daemon reads a file. */
#ifndef POISE_CONFIG_H
#define POISE_CONFIG_H

#include <stdbool.h>
#include <stdio.h>

#include "driver.h"
#include "poise/keys.h"
#include "poise/guide.h"
#include "poise/messages.h"
#include "poise/text.h"
#include "poise/why.h"
#include "tracker/tracker.h"

enum {
    CONFIG_PATH_SIZE = 256,
    CONFIG_ADDRESSES_SIZE = 512,
    CONFIG_ADDRESSES_MOST = 4,
    CONFIG_CLIENTS_MOST = 256,
    CONFIG_FOLLOWS_MOST = 256
};

/* What one may do at the bench: each may do all that the one before may. */
enum role { ROLE_NONE, ROLE_READ, ROLE_CONTROL };

/* Who is let in over a network. */
struct client_config {
    char name[NAME_SIZE];
    uint8_t key[KEY_BYTES]; /* his public one */
    bool has_key;
    enum role role;
    int line;
};

/* A bench that a site listens to. */
struct follow_config {
    char name[NAME_SIZE]; /* as the site calls it, whatever it calls itself */
    char bus[CONFIG_ADDRESSES_SIZE];
    char key[CONFIG_PATH_SIZE]; /* the site's key file for it; empty: it is on this machine */
    int line;
};

struct station_config {
    char name[NAME_SIZE];
    struct tracker_config tracker; /* cups and lag filled in from the other sections */
    int line;
};

struct config {
    char bench[NAME_SIZE];
    char bus[CONFIG_ADDRESSES_SIZE],
        control[CONFIG_ADDRESSES_SIZE]; /* each one address, or several with ", " between */
    char journal[CONFIG_PATH_SIZE];
    int journal_days;         /* kept for so long; 30 */
    int journal_mb;           /* and no larger; 2048 */
    struct guide_units units; /* that its people read; what is measured and kept stays in kPa and °C */
    struct station_config *stations;
    int station_count;
    struct instrument_config *instruments;
    int instrument_count;
    struct config_cup { /* cups that are known by their empty mass */
        char name[NAME_SIZE];
        double mass_g; /* NAN: not said yet */
        int line;
    } cups[TRACKER_CUPS];
    int cup_count;
    int replicates;             /* strength readings wanted per cup */
    double strength_per_brix;   /* 0: not configured */
    double strength_per_brix_u; /* by strength_pairs; 0: it was written as a number */
    int strength_pairs;
    bool filtered;
    char secret[CONFIG_PATH_SIZE]; /* the bench's key file; empty: none, and no network */
    char control_group[NAME_SIZE]; /* only its members may give orders on this machine; empty: who may connect may */
    struct client_config *clients;
    int client_count;
    bool site; /* a site's, that listens to benches, and no bench's: of the above only bus, secret and clients */
    struct follow_config *follows;
    int follow_count;
    void *memory; /* what the strings above point into */
};

/* Reads the file; NULL: no file, the defaults of a user without one (a station called "bench", no
 * instruments, sockets and journal under the XDG folders; those of the system for root).  Returns 0,
 * or -EINVAL: the first mistake is in why, and every one has been printed to `mistakes` (NULL: nowhere)
 * as "FILE:LINE: sentence"; or another negative errno when the file cannot be read at all. */
int config_read(struct config *out, const char *path, FILE *mistakes, struct why *why);

/* A copy without the instruments, for others to be added; it lives by itself.  0 or -ENOMEM. */
int config_copy_bare(struct config *out, const struct config *from, struct why *why);

/* The station in the file that has no scale yet for its brewer, counted from 0; NULL: there are not so many. */
const char *config_station_without_scale(const struct config *config, int number);

/* True when the file names a station; where it does not there is one, called "bench". */
bool config_names_stations(const struct config *config);

/* What was read, as one JSON object: for programs that set the bench up and look after it. */
void config_write_json(const struct config *config, const char *path, struct text *out);

void config_free(struct config *config);

/* The first address of a list ("ipc:///a, tcp://..."), into out; returns where the next begins, NULL at the end. */
const char *config_next_address(const char *list, char out[CONFIG_PATH_SIZE]);

#endif
