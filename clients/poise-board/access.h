/* Who may ask for what: devices that were paired once, their roles, and the tokens of their orders.
 *
 * A device types six digits that were shown on the bench's terminal and gets a secret, which it shows with every
 * request from then on; only the secret's hash is kept.  The file is SQLite, for this user alone, and may be read and
 * changed by several programs: `poise-board devices revoke` needs no server.  Time is an argument (UTC, microseconds).
 */
#ifndef BOARD_ACCESS_H
#define BOARD_ACCESS_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/messages.h"
#include "poise/why.h"

enum role {
    ROLE_NONE,
    ROLE_LOOK,  /* sees bench and reports */
    ROLE_HANDS, /* and gives orders */
    ROLE_TASTER /* sees its own tasting sheet and nothing else */
};

enum {
    ACCESS_CODE_SIZE = 7,    /* six digits */
    ACCESS_SECRET_SIZE = 65, /* hexadecimal */
    ACCESS_DEVICES = 64,
    ACCESS_CODE_S = 120, /* so long a code may be typed */
    ACCESS_TRIES = 5,    /* wrong ones, together; then the code is void and nobody pairs for ... */
    ACCESS_PAUSE_S = 60
};

struct device {
    long long id;
    enum role role;
    char name[NAME_SIZE];
    char session[NAME_SIZE], taster[NAME_SIZE]; /* of a taster */
    int64_t paired_us, seen_us;
};

struct access;

/* "look", "hands", "taster"; ROLE_NONE: none of them. */
enum role role_find(const char *name);
const char *role_name(enum role role);

/* Opens the file in this folder, which is made when missing. */
int access_open(struct access **out, const char *folder, struct why *why);
void access_close(struct access *access);

/* Makes the code for the next device; it takes the place of an earlier one. */
int access_new_code(struct access *access, enum role role, int64_t now_us, char code[ACCESS_CODE_SIZE],
                    struct why *why);

/* Makes a taster's link: a secret that pairs one device, within a day. */
int access_new_link(struct access *access, const char *session, const char *taster, int64_t now_us,
                    char link[ACCESS_SECRET_SIZE], struct why *why);

/* A device types a code, or follows a link: its secret.  -EACCES: it is not the code; -EAGAIN: too many wrong ones. */
int access_pair(struct access *access, const char *code, const char *name, int64_t now_us,
                char secret[ACCESS_SECRET_SIZE], struct why *why);

/* The device that has this secret.  False: none. */
bool access_find(struct access *access, const char *secret, struct device *out);
bool access_known(struct access *access, long long id);

/* All devices, in the order in which they were paired; returns their number or a negative errno. */
int access_list(struct access *access, struct device out[ACCESS_DEVICES], struct why *why);

/* -ENOENT: there is none of that number. */
int access_revoke(struct access *access, long long id, struct why *why);

/* Whether the file was changed by another program since the last call. */
bool access_changed(struct access *access);

/* A token that one order of this device may carry, and whether an order's token is one: it is void from then on.  Not
 * kept in the file. */
void access_token(struct access *access, long long device, char out[ACCESS_SECRET_SIZE]);
bool access_spend(struct access *access, long long device, const char *token);

#endif
