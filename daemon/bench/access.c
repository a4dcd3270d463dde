/* Who may do what; see access.h. */
#include "access.h"

#include <errno.h>
#include <grp.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <zmq.h>

#include "door.h"
#include "poise/clock.h"

enum {
    USERS = 16,          /* that are remembered ... */
    USER_FOR_MS = 10000, /* ... for so long: to look one up reads files */
    GROUPS_MOST = 256,   /* of one user */
    ASKED_FRAMES = 7,    /* version, request, domain, address, identity, mechanism, key: RFC 27 */
    ASKED_BYTES = 256    /* longest of them */
};

static const char zap_address[] = "inproc://zeromq.zap.01", zap_domain[] = "poise";

struct access {
    void *answers; /* what libzmq asks; NULL: no keys */
    struct keys keys;
    const struct config *config;
    struct user {
        uid_t user;
        gid_t group;
        int64_t until_ms; /* 0: none */
        struct guest guest;
    } users[USERS];
    int next_user;
};

/* ---- the network ---- */

static const struct client_config *client_of_key(const struct config *config, const void *key, size_t length)
{
    for (int i = 0; length == KEY_BYTES && i < config->client_count; i++)
        if (memcmp(config->clients[i].key, key, KEY_BYTES) == 0)
            return &config->clients[i];
    return NULL;
}

static int receive_question(void *socket, char frames[ASKED_FRAMES][ASKED_BYTES], size_t lengths[ASKED_FRAMES])
{
    zmq_msg_t part;
    int count = 0;
    bool more = true;

    zmq_msg_init(&part);
    while (more && zmq_msg_recv(&part, socket, ZMQ_DONTWAIT) >= 0) {
        size_t length = zmq_msg_size(&part) < ASKED_BYTES ? zmq_msg_size(&part) : ASKED_BYTES - 1;

        more = zmq_msg_more(&part);
        if (count < ASKED_FRAMES) {
            memcpy(frames[count], zmq_msg_data(&part), length);
            frames[count][length] = '\0';
            lengths[count] = length;
        }
        count++;
    }
    zmq_msg_close(&part);
    return count;
}

/* A client's key as text: what a connection is known by while it lives, also when the names change. */
static const struct client_config *let_in(const struct access *access, int count, char frames[][ASKED_BYTES],
                                          const size_t lengths[])
{
    if (count != ASKED_FRAMES || strcmp(frames[2], zap_domain) != 0 || strcmp(frames[5], "CURVE") != 0)
        return NULL;
    return client_of_key(access->config, frames[6], lengths[6]);
}

static void send_part(void *socket, const char *text, size_t length, int more)
{
    zmq_send(socket, text, length, ZMQ_DONTWAIT | more);
}

bool access_answer(struct access *access)
{
    char frames[ASKED_FRAMES][ASKED_BYTES], key[KEY_TEXT_SIZE] = "";
    size_t lengths[ASKED_FRAMES] = { 0 };
    int count = receive_question(access->answers, frames, lengths);
    const struct client_config *client;

    if (count == 0)
        return false;
    if (count < 2)
        lengths[1] = 0;
    if ((client = let_in(access, count, frames, lengths)))
        key_print(client->key, key);
    send_part(access->answers, "1.0", 3, ZMQ_SNDMORE);
    send_part(access->answers, frames[1], lengths[1], ZMQ_SNDMORE);
    send_part(access->answers, client ? "200" : "400", 3, ZMQ_SNDMORE);
    send_part(access->answers, client ? "" : "not let in", client ? 0 : 10, ZMQ_SNDMORE);
    send_part(access->answers, key, strlen(key), ZMQ_SNDMORE);
    send_part(access->answers, "", 0, 0);
    return true;
}

/* A number for the door: places in the list move, keys do not. */
static uint32_t owner_of_key(const uint8_t key[KEY_BYTES])
{
    uint32_t owner;

    memcpy(&owner, key, sizeof owner);
    return owner ? owner : 1;
}

static void guest_of_key(const struct access *access, const char *text, struct guest *out)
{
    uint8_t key[KEY_BYTES];
    const struct client_config *client = NULL;

    if (key_read(text, strlen(text), key) == 0) {
        out->owner = owner_of_key(key);
        client = client_of_key(access->config, key, sizeof key);
    }
    if (client) {
        out->role = client->role;
        memcpy(out->name, client->name, sizeof client->name);
    }
}

struct change {
    const struct config *old, *new;
};

static enum role role_of_owner(const struct config *config, uint32_t owner)
{
    for (int i = 0; i < config->client_count; i++)
        if (owner_of_key(config->clients[i].key) == owner)
            return config->clients[i].role;
    return ROLE_NONE;
}

static bool lost_its_role(void *context, uint32_t owner)
{
    const struct change *change = context;

    return role_of_owner(change->new, owner) < role_of_owner(change->old, owner)
           || role_of_owner(change->new, owner) == ROLE_NONE;
}

void access_reconfigure(struct access *access, const struct config *config)
{
    struct change change = { access->config, config };

    door_cut(lost_its_role, &change);
    access->config = config;
    memset(access->users, 0, sizeof access->users);
}

/* ---- this machine ---- */

static bool in_group(const char *user, gid_t own, const char *name)
{
    char memory[4096];
    struct group group, *found = NULL;
    gid_t all[GROUPS_MOST];
    int count = GROUPS_MOST;

    if (getgrnam_r(name, &group, memory, sizeof memory, &found) != 0 || !found)
        return false;
    if (own == found->gr_gid)
        return true;
    if (!user || getgrouplist(user, own, all, &count) < 0)
        return false;
    for (int i = 0; i < count; i++)
        if (all[i] == found->gr_gid)
            return true;
    return false;
}

static void look_up(const struct access *access, struct user *user)
{
    char memory[4096];
    struct passwd passwd, *found = NULL;
    const char *group = access->config->control_group, *name;

    name = getpwuid_r(user->user, &passwd, memory, sizeof memory, &found) == 0 && found ? found->pw_name : NULL;
    if (name)
        snprintf(user->guest.name, sizeof user->guest.name, "%.*s", ASKED_BY_SIZE - 1, name);
    else
        snprintf(user->guest.name, sizeof user->guest.name, "uid %u", user->user);
    user->guest.role = !*group || user->user == 0 || user->user == geteuid() || in_group(name, user->group, group)
                           ? ROLE_CONTROL
                           : ROLE_READ;
}

static void guest_of_user(struct access *access, uid_t uid, gid_t gid, struct guest *out)
{
    int64_t now_ms = clock_steady_ms();
    struct user *user;

    for (int i = 0; i < USERS; i++)
        if (access->users[i].until_ms > now_ms && access->users[i].user == uid && access->users[i].group == gid) {
            *out = access->users[i].guest;
            return;
        }
    user = &access->users[access->next_user];
    access->next_user = (access->next_user + 1) % USERS;
    *user = (struct user){ .user = uid, .group = gid, .until_ms = now_ms + USER_FOR_MS };
    look_up(access, user);
    *out = user->guest;
}

void access_guest(struct access *access, void *message, struct guest *out)
{
    const char *key = zmq_msg_gets(message, "User-Id"), *address = zmq_msg_gets(message, "Peer-Address");
    unsigned uid, gid, pid;
    int length = 0;

    *out = (struct guest){ .role = ROLE_NONE };
    /* The address first: libzmq writes it, while on this machine a peer may send us a User-Id of its own making.  A
     * number of the network never begins so. */
    if (address && sscanf(address, "localhost:%u:%u:%u%n", &uid, &gid, &pid, &length) == 3 && !address[length])
        guest_of_user(access, uid, gid, out);
    else if (key)
        guest_of_key(access, key, out);
}

/* ---- opening and closing ---- */

int access_open(struct access **out, void *context, const struct config *config, struct why *why)
{
    struct access *access = calloc(1, sizeof *access);
    int error = 0;

    if (!access)
        return why_set(why, -ENOMEM, "bus: out of memory");
    access->config = config;
    if (*config->secret) {
        if (!zmq_has("curve"))
            error = why_set(why, -ENOTSUP, "this libzmq has no CURVE encryption; without it there is no network");
        else
            error = keys_load(config->secret, &access->keys, why);
        if (error == 0
            && (!(access->answers = zmq_socket(context, ZMQ_REP)) || zmq_bind(access->answers, zap_address) != 0))
            error = why_set(why, -zmq_errno(), "no socket for who is let in: %s", zmq_strerror(zmq_errno()));
    }
    if (error < 0)
        access_free(access);
    else
        *out = access;
    return error;
}

int access_for_network(const struct access *access, void *socket, struct why *why)
{
    const int on = 1;

    if (!access->answers)
        return why_set(why, -EPERM, "refused: a network socket needs keys, and this poised has none");
    if (zmq_setsockopt(socket, ZMQ_CURVE_SERVER, &on, sizeof on) != 0
        || zmq_setsockopt(socket, ZMQ_CURVE_SECRETKEY, access->keys.secret_key, KEY_BYTES) != 0
        || zmq_setsockopt(socket, ZMQ_ZAP_DOMAIN, zap_domain, sizeof zap_domain - 1) != 0)
        return why_set(why, -zmq_errno(), "cannot set up encryption: %s", zmq_strerror(zmq_errno()));
    return 0;
}

void *access_socket(struct access *access)
{
    return access->answers;
}

void access_free(struct access *access)
{
    if (!access)
        return;
    if (access->answers)
        zmq_close(access->answers);
    keys_forget(&access->keys);
    free(access);
}
