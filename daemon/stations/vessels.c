/* Which vessel it is, and how much is in it; see vessels.h. */
#include "vessels.h"

#include <errno.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

const double VESSELS_CLEAR = 0.9, VESSELS_LEAST_CHANCE = 0.005, VESSELS_ASK_U_G = 3;

/* Weighings of one dry cup differ by so much, worth so many weighings (practice: a drop is 0.05 g, a rinsed cup keeps
 * half a gram to two). */
static const double SCATTER_G = 0.8, SCATTER_WORTH = 3;

/* What a cup that was only set down may hold: coffee that nobody drank, rinsing water (common practice, no source). */
static const double REST_G = 2;

/* So many weighings are remembered: a cup of a daily bench follows its chips and stains within two weeks. */
static const double WEIGHT_MOST = 30;

/* Of a vessel never seen: half of them are of the make of the others, within so much; the others may weigh anything in
 * a range so wide (common practice, no source). */
static const double MAKE_SHARE = 0.5, MAKE_SPREAD_G = 8, ANY_G = 400;

/* While learning the next one is not likelier to be new than not: else each that was seen once would call for more. */
static const double NEW_MOST = 0.5;

/* A brewer that turns out to be a cup: a slip of the story. */
static const double OTHER_ROLE = 0.05;

/* What a gram of coffee keeps (common practice), how much that differs between benches, and between brews of one; and
 * how many brews that is worth.  One press in ten stops early, and leaves up to so much of the beverage behind. */
static const double HELD_USUAL = 2.05, HELD_SPREAD = 0.3, HELD_WORTH = 3, HELD_MEAN_WORTH = 1;
static const double UNPRESSED = 0.1, UNPRESSED_SHARE = 0.12;

static const double USUAL_DOSE_G = 15, USUAL_DOSE_U_G = 4, WATER_U_G = 1;

/* The cup that was seen empty is the one that comes back, and what is set down after a brew is its cup, so often. */
static const double SEEN_COMES_BACK = 0.97, BACK_IS_IT = 0.4, BACK_WHEN_ASKED = 0.9;

/* ---- one vessel ---- */

static double scatter2(const struct vessel *vessel)
{
    return (SCATTER_WORTH * SCATTER_G * SCATTER_G + vessel->squares_g2) / (SCATTER_WORTH + vessel->weight);
}

double vessel_u_g(const struct vessel *vessel, bool mean)
{
    double weight = fmax(vessel->weight, 0.1);

    return sqrt(scatter2(vessel) * ((mean ? 0 : 1) + 1 / weight));
}

/* Student's, with as many degrees of freedom as its weighings and the usual ones have. */
static double density_of(const struct vessel *vessel, double mass_g, double u_g)
{
    double spread_g = hypot(vessel_u_g(vessel, false), u_g);

    return gsl_ran_tdist_pdf((mass_g - vessel->mass_g) / spread_g, SCATTER_WORTH + vessel->weight) / spread_g;
}

static bool may_be(const struct vessel *vessel, enum vessel_role role)
{
    return role == VESSEL_UNKNOWN || vessel->role == VESSEL_UNKNOWN || vessel->role == role;
}

/* ---- all of them ---- */

/* How often the next one was never seen. */
static double chance_of_new(const struct vessels *vessels)
{
    double once = 0, all = 0;

    for (int i = 0; i < vessels->count; i++) {
        once += vessels->all[i].seen == 1 && !vessels->all[i].configured;
        all += vessels->all[i].seen;
    }
    return (once + 0.5) / (all + 1);
}

/* How often it is this one, of those in a role. */
static double share_of(const struct vessels *vessels, int vessel, enum vessel_role role)
{
    double all = 0;

    for (int i = 0; i < vessels->count; i++)
        all += may_be(&vessels->all[i], role) ? vessels->all[i].weight + 0.5 : 0;
    return all > 0 ? (vessels->all[vessel].weight + 0.5) / all : 0;
}

/* Of the mass of one never seen. */
static double density_of_new(const struct vessels *vessels, double mass_g, double u_g, enum vessel_role role)
{
    double sum = 0, count = 0;

    for (int i = 0; i < vessels->count; i++) {
        if (!may_be(&vessels->all[i], role))
            continue;
        sum += gsl_ran_gaussian_pdf(mass_g - vessels->all[i].mass_g, hypot(MAKE_SPREAD_G, u_g));
        count++;
    }
    return count ? (1 - MAKE_SHARE) / ANY_G + MAKE_SHARE * sum / count : 1 / ANY_G;
}

static double u_of(const struct vessel_weighing *weighing)
{
    return hypot(weighing->u_g, weighing->role == VESSEL_UNKNOWN ? REST_G : 0);
}

/* chance[i] of each entry; returns that of a new one. */
static double chances(const struct vessels *vessels, const struct vessel_weighing *weighing, double *chance)
{
    double fresh = fmin(chance_of_new(vessels), NEW_MOST), u_g = u_of(weighing), sum, new_chance;

    new_chance = sum = fresh * density_of_new(vessels, weighing->mass_g, u_g, weighing->role);
    for (int i = 0; i < vessels->count; i++) {
        const struct vessel *vessel = &vessels->all[i];

        chance[i] = (1 - fresh) * share_of(vessels, i, VESSEL_UNKNOWN) * density_of(vessel, weighing->mass_g, u_g)
                    * (may_be(vessel, weighing->role) ? 1 : OTHER_ROLE);
        sum += chance[i];
    }
    for (int i = 0; i < vessels->count; i++)
        chance[i] /= sum;
    return new_chance / sum;
}

static void two_likeliest(const double *chance, int count, int *best, int *other)
{
    *best = *other = VESSELS_NONE;
    for (int i = 0; i < count; i++) {
        if (*best == VESSELS_NONE || chance[i] > chance[*best]) {
            *other = *best;
            *best = i;
        } else if (*other == VESSELS_NONE || chance[i] > chance[*other]) {
            *other = i;
        }
    }
}

void vessels_look(const struct vessels *vessels, const struct vessel_weighing *weighing, struct vessel_match *out)
{
    double chance[VESSELS];

    *out = (struct vessel_match){ .was_g = NAN };
    out->new_chance = chances(vessels, weighing, chance);
    two_likeliest(chance, vessels->count, &out->vessel, &out->other);
    out->chance = out->vessel == VESSELS_NONE ? 0 : chance[out->vessel];
    out->other_chance = out->other == VESSELS_NONE ? 0 : chance[out->other];
}

/* ---- learning ---- */

static void remove_at(struct vessels *vessels, int place)
{
    vessels->count--;
    memmove(&vessels->all[place], &vessels->all[place + 1], sizeof vessels->all[0] * (size_t)(vessels->count - place));
}

/* Where there is no room the one that was seen longest ago goes; VESSELS_NONE: all have names. */
static int make(struct vessels *vessels, const char *name)
{
    int oldest = VESSELS_NONE;

    for (int i = 0; i < vessels->count && vessels->count == VESSELS; i++)
        if (!vessels->all[i].named
            && (oldest == VESSELS_NONE || vessels->all[i].seen_us < vessels->all[oldest].seen_us))
            oldest = i;
    if (oldest != VESSELS_NONE)
        remove_at(vessels, oldest);
    if (vessels->count == VESSELS)
        return VESSELS_NONE;
    vessels->all[vessels->count] = (struct vessel){ .named = false };
    snprintf(vessels->all[vessels->count].name, NAME_SIZE, "%s", name);
    return vessels->count++;
}

static void new_name(struct vessels *vessels, enum vessel_role role, char name[NAME_SIZE])
{
    do {
        vessels->number = vessels->number % 9999 + 1;
        snprintf(name, NAME_SIZE, "%s-%d", role == VESSEL_UNKNOWN ? "vessel" : vessel_role_name(role), vessels->number);
    } while (vessels_find(vessels, name) >= 0);
}

static void learn(struct vessel *vessel, const struct vessel_weighing *weighing)
{
    double worth = SCATTER_G * SCATTER_G / (SCATTER_G * SCATTER_G + u_of(weighing) * u_of(weighing));
    double off_g = weighing->mass_g - vessel->mass_g, fade;

    vessel->seen++;
    vessel->seen_us = weighing->time_us;
    if (vessel->role == VESSEL_UNKNOWN)
        vessel->role = weighing->role;
    if (vessel->configured)
        return;
    if (!(vessel->weight > 0)) {
        vessel->mass_g = weighing->mass_g;
        vessel->weight = worth;
        return;
    }
    /* what scatters more than it is worth is in the weight already */
    vessel->squares_g2 += worth * worth * vessel->weight / (vessel->weight + worth) * off_g * off_g;
    vessel->mass_g += worth / (vessel->weight + worth) * off_g;
    vessel->weight += worth;
    fade = fmin(1, WEIGHT_MOST / vessel->weight);
    vessel->weight *= fade;
    vessel->squares_g2 *= fade;
}

void vessels_take(struct vessels *vessels, const struct vessel_weighing *weighing, struct vessel_match *out)
{
    char name[NAME_SIZE];
    int made;

    vessels_look(vessels, weighing, out);
    if (out->chance > out->new_chance && out->chance >= VESSELS_CLEAR * (out->chance + out->other_chance)) {
        out->was_g = vessels->all[out->vessel].mass_g;
        learn(&vessels->all[out->vessel], weighing);
        out->learnt = true;
        return;
    }
    if (out->new_chance <= out->chance + out->other_chance)
        return;
    new_name(vessels, weighing->role, name);
    if ((made = make(vessels, name)) == VESSELS_NONE)
        return;
    learn(&vessels->all[made], weighing);
    vessels_look(vessels, weighing, out);
    out->vessel = made;
    out->learnt = out->made = true;
}

void vessels_teach(struct vessels *vessels, int vessel, const struct vessel_weighing *weighing)
{
    learn(&vessels->all[vessel], weighing);
}

void vessels_held(struct vessels *vessels, double g_per_g)
{
    double off, fade;

    if (!(g_per_g > 0.5 && g_per_g < 5))
        return;
    off = g_per_g - vessels->held_mean;
    vessels->held_squares += vessels->held_weight / (vessels->held_weight + 1) * off * off;
    vessels->held_mean += off / (vessels->held_weight + 1);
    vessels->held_weight += 1;
    fade = fmin(1, WEIGHT_MOST / vessels->held_weight);
    vessels->held_weight *= fade;
    vessels->held_squares *= fade;
}

/* ---- the full cup ---- */

/* What dose and water lead to. */
struct foreseen {
    double beverage_g, spread_g, freedom; /* beverage_g NAN: nothing is foreseen */
};

static struct foreseen foresee(const struct vessels *vessels, const struct vessel_question *question)
{
    bool weighed = !isnan(question->dose_g);
    double dose_g = weighed ? question->dose_g : USUAL_DOSE_G, weight = vessels->held_weight;
    double held = (HELD_MEAN_WORTH * HELD_USUAL + weight * vessels->held_mean) / (HELD_MEAN_WORTH + weight);
    double apart = vessels->held_mean - HELD_USUAL; /* of the bench's own from the usual: one more square */
    double squares = HELD_WORTH * HELD_SPREAD * HELD_SPREAD + vessels->held_squares
                     + (weight > 0 ? HELD_MEAN_WORTH * weight / (HELD_MEAN_WORTH + weight) * apart * apart : 0);
    double spread = sqrt(squares / (HELD_WORTH + weight) * (1 + 1 / (HELD_MEAN_WORTH + weight)));

    return (struct foreseen){
        .beverage_g = question->water_g - held * dose_g,
        .spread_g = hypot(hypot(spread * dose_g, weighed ? 0 : held * USUAL_DOSE_U_G), WATER_U_G),
        .freedom = HELD_WORTH + weight,
    };
}

/* Of so much beverage: as foreseen, or less, where the press stopped early. */
static double likelihood(const struct foreseen *foreseen, double beverage_g, double u_g)
{
    double spread_g = hypot(foreseen->spread_g, u_g), off_g = beverage_g - foreseen->beverage_g, wide_g, density;

    if (isnan(off_g))
        return beverage_g > 0 ? 1 / ANY_G : 0;
    if (beverage_g < 0)
        return 0;
    density = (1 - UNPRESSED) * gsl_ran_tdist_pdf(off_g / spread_g, foreseen->freedom) / spread_g;
    wide_g = hypot(spread_g, UNPRESSED_SHARE * foreseen->beverage_g);
    if (off_g < 0)
        density += UNPRESSED * 2 * gsl_ran_gaussian_pdf(off_g, wide_g);
    return density;
}

/* One way in which the full cup may have come to its mass. */
struct way {
    double chance, beverage_g, u_g;
    int vessel;
    bool as_seen, guessed;
};

struct ways {
    struct way way[3 * VESSELS + VESSELS_BACK + 3];
    int count;
    struct foreseen foreseen;
    const struct vessels *vessels;
    const struct vessel_question *question;
};

static void add_way(struct ways *ways, double chance, double cup_g, double cup_u_g, int vessel, bool as_seen)
{
    double u_g = hypot(ways->question->full_u_g, cup_u_g), beverage_g = ways->question->full_g - cup_g;

    ways->way[ways->count++] =
        (struct way){ chance * likelihood(&ways->foreseen, beverage_g, u_g), beverage_g, u_g, vessel, as_seen, false };
}

/* Cup and brewer weighed so much together, were it a cup of this mass. */
static double together_with(const struct ways *ways, double cup_g, double u_g)
{
    const struct vessels *vessels = ways->vessels;
    double brewer_g = ways->question->together_g - cup_g, sum, fresh = chance_of_new(vessels);
    bool any = false;

    if (isnan(brewer_g))
        return 1;
    u_g = hypot(u_g, ways->question->together_u_g);
    sum = 0;
    for (int i = 0; i < vessels->count; i++) {
        if (vessels->all[i].role != VESSEL_BREWER)
            continue;
        any = true;
        sum += (1 - fresh) * share_of(vessels, i, VESSEL_BREWER) * density_of(&vessels->all[i], brewer_g, u_g);
    }
    return sum + (any ? fresh : 1) * density_of_new(vessels, brewer_g, u_g, VESSEL_BREWER);
}

static void ways_of_known(struct ways *ways, double chance, const double *not_it)
{
    const struct vessels *vessels = ways->vessels;

    for (int i = 0; i < vessels->count; i++) {
        const struct vessel *vessel = &vessels->all[i];
        double u_g = vessel_u_g(vessel, false);

        if (vessel->role == VESSEL_BREWER)
            continue;
        add_way(ways,
                chance * share_of(vessels, i, VESSEL_CUP) * (not_it ? 1 - not_it[i] : 1)
                    * together_with(ways, vessel->mass_g, u_g),
                vessel->mass_g, u_g, i, false);
    }
}

/* What came back after the brew is its cup: as a known one, or as one that nobody knew. */
static void ways_of_back(struct ways *ways, double chance, int which)
{
    const struct vessels *vessels = ways->vessels;
    struct vessel_weighing weighing = { ways->question->back[which].mass_g, ways->question->back[which].u_g,
                                        VESSEL_UNKNOWN, 0 };
    double of[VESSELS], fresh = chances(vessels, &weighing, of);
    double u_g = hypot(weighing.u_g, REST_G);

    for (int i = 0; i < vessels->count; i++)
        if (vessels->all[i].role != VESSEL_BREWER)
            add_way(ways, chance * of[i] * together_with(ways, vessels->all[i].mass_g, vessel_u_g(&vessels->all[i], 0)),
                    vessels->all[i].mass_g, vessel_u_g(&vessels->all[i], false), i, true);
    add_way(ways, chance * fresh * together_with(ways, weighing.mass_g, u_g), weighing.mass_g, u_g, VESSELS_NONE, true);
}

/* A cup never seen: what the brewer under or on it leaves of both, or nothing but what is foreseen. */
static void ways_of_unknown(struct ways *ways, double chance)
{
    const struct vessels *vessels = ways->vessels;
    const struct vessel_question *question = ways->question;
    double foreseen_g = ways->foreseen.beverage_g, spread_g = ways->foreseen.spread_g;
    double together = isnan(question->together_g) ? 1 : 1 / ANY_G; /* and a brewer that nobody knows either */

    for (int i = 0; i < vessels->count && !isnan(question->together_g); i++) {
        double cup_g = question->together_g - vessels->all[i].mass_g;
        double u_g = hypot(question->together_u_g, vessel_u_g(&vessels->all[i], false));

        if (vessels->all[i].role == VESSEL_BREWER && cup_g > 0)
            add_way(ways,
                    chance * share_of(vessels, i, VESSEL_BREWER) * density_of_new(vessels, cup_g, u_g, VESSEL_CUP),
                    cup_g, u_g, VESSELS_NONE, false);
    }
    if (isnan(foreseen_g))
        return;
    for (int i = 0; i < vessels->count && !isnan(question->together_g); i++)
        if (vessels->all[i].role == VESSEL_BREWER) {
            together = chance_of_new(vessels) / ANY_G;
            break;
        }
    ways->way[ways->count++] =
        (struct way){ chance * together * density_of_new(vessels, question->full_g - foreseen_g, spread_g, VESSEL_CUP),
                      foreseen_g,
                      spread_g,
                      VESSELS_NONE,
                      false,
                      true };
}

static void find_ways(struct ways *ways)
{
    const struct vessel_question *question = ways->question;
    double rest = 1, fresh = chance_of_new(ways->vessels), of[VESSELS], *not_it = NULL;

    if (!isnan(question->seen_g)) {
        struct vessel_weighing weighing = { question->seen_g, question->seen_u_g, VESSEL_CUP, 0 };

        add_way(ways, SEEN_COMES_BACK, question->seen_g, question->seen_u_g, VESSELS_NONE, true);
        rest -= SEEN_COMES_BACK;
        chances(ways->vessels, &weighing, of);
        not_it = of;
    }
    for (int i = 0; i < question->back_count && i < VESSELS_BACK; i++) {
        double is_it = question->asked ? BACK_WHEN_ASKED : BACK_IS_IT;

        ways_of_back(ways, rest * is_it, i);
        rest *= 1 - is_it;
    }
    ways_of_known(ways, rest * (1 - fresh), not_it);
    ways_of_unknown(ways, rest * fresh);
}

/* The beverage of the likeliest way, or the mean where none is; and an uncertainty that covers the others. */
static void conclude(const struct ways *ways, struct vessel_answer *out)
{
    const struct way *best = &ways->way[0];
    double mean_g = 0, square = 0, u_g;

    for (int i = 0; i < ways->count; i++) {
        if (ways->way[i].chance > best->chance)
            best = &ways->way[i];
        mean_g += ways->way[i].chance * ways->way[i].beverage_g;
    }
    out->guessed = best->guessed;
    out->beverage_g = best->chance > 0.5 ? best->beverage_g : mean_g;
    for (int i = 0; i < ways->count; i++)
        square += ways->way[i].chance
                  * (pow(ways->way[i].beverage_g - out->beverage_g, 2) + ways->way[i].u_g * ways->way[i].u_g);
    u_g = sqrt(square);
    for (int i = 0; i < ways->count; i++)
        if (ways->way[i].chance > VESSELS_LEAST_CHANCE)
            u_g = fmax(u_g, fabs(ways->way[i].beverage_g - out->beverage_g) / 3);
    out->u_g = u_g;
}

bool vessels_answer(const struct vessels *vessels, const struct vessel_question *question, struct vessel_answer *out)
{
    struct ways ways = { .vessels = vessels, .question = question, .foreseen = foresee(vessels, question) };
    double sum = 0, of[VESSELS] = { 0 };

    find_ways(&ways);
    for (int i = 0; i < ways.count; i++)
        sum += ways.way[i].chance;
    if (!(sum > 0))
        return false;
    *out = (struct vessel_answer){ .cup = VESSELS_NONE };
    for (int i = 0; i < ways.count; i++) {
        ways.way[i].chance /= sum;
        out->as_seen += ways.way[i].as_seen ? ways.way[i].chance : 0;
        if (ways.way[i].vessel != VESSELS_NONE)
            of[ways.way[i].vessel] += ways.way[i].chance;
    }
    conclude(&ways, out);
    two_likeliest(of, vessels->count, &out->cup, &out->other);
    out->chance = out->cup == VESSELS_NONE ? 0 : of[out->cup];
    out->other_chance = out->other == VESSELS_NONE ? 0 : of[out->other];
    return true;
}

/* ---- by hand ---- */

int vessels_find(const struct vessels *vessels, const char *name)
{
    for (int i = 0; i < vessels->count; i++)
        if (strcmp(vessels->all[i].name, name) == 0)
            return i;
    return VESSELS_NONE;
}

int vessels_name(struct vessels *vessels, int vessel, const char *name, struct why *why)
{
    int other = vessels_find(vessels, name);

    if (!name_valid(name))
        return why_set(why, -EINVAL, "'%.40s' is no name: 1 to 32 of a-z, 0-9 and -", name);
    if (other != VESSELS_NONE && other != vessel)
        return why_set(why, -EINVAL, "there is a vessel %s already; forget it first, or take another name", name);
    if (vessels->all[vessel].configured && other != vessel)
        return why_set(why, -EINVAL, "%s has its name from the configuration: change it there",
                       vessels->all[vessel].name);
    strcpy(vessels->all[vessel].name, name);
    vessels->all[vessel].named = true;
    return 0;
}

void vessels_forget(struct vessels *vessels, int vessel)
{
    remove_at(vessels, vessel);
}

void vessels_unconfigure(struct vessels *vessels)
{
    for (int i = 0; i < vessels->count; i++)
        vessels->all[i].configured = false;
}

void vessels_configure(struct vessels *vessels, const char *name, double mass_g)
{
    int vessel = vessels_find(vessels, name);

    if (vessel == VESSELS_NONE && (vessel = make(vessels, name)) == VESSELS_NONE)
        return;
    vessels->all[vessel].named = vessels->all[vessel].configured = true;
    vessels->all[vessel].role = VESSEL_CUP;
    vessels->all[vessel].mass_g = mass_g;
    vessels->all[vessel].weight = fmax(vessels->all[vessel].weight, SCATTER_WORTH);
}

/* ---- kept ---- */

json_t *vessels_save(const struct vessels *vessels)
{
    json_t *list = json_array();

    for (int i = 0; i < vessels->count; i++) {
        const struct vessel *one = &vessels->all[i];

        json_array_append_new(list, json_pack("{s:s,s:b,s:s,s:f,s:f,s:f,s:i,s:I}", "name", one->name, "named",
                                              one->named, "role", vessel_role_name(one->role), "mass_g", one->mass_g,
                                              "weight", one->weight, "squares_g2", one->squares_g2, "seen", one->seen,
                                              "seen_us", (json_int_t)one->seen_us));
    }
    return json_pack("{s:o,s:i,s:f,s:f,s:f}", "vessels", list, "number", vessels->number, "held_weight",
                     vessels->held_weight, "held_mean", vessels->held_mean, "held_squares", vessels->held_squares);
}

static double kept(const json_t *json, const char *key, double least, double most)
{
    double value = json_number_value(json_object_get(json, key));

    return value >= least && value <= most ? value : least;
}

void vessels_load(struct vessels *vessels, const json_t *json)
{
    const json_t *entry;
    size_t i;

    vessels->number = (int)kept(json, "number", 0, 9999);
    vessels->held_weight = kept(json, "held_weight", 0, WEIGHT_MOST);
    vessels->held_mean = kept(json, "held_mean", 0, 5);
    vessels->held_squares = kept(json, "held_squares", 0, 1e6);
    json_array_foreach(json_object_get(json, "vessels"), i, entry)
    {
        const char *name = json_string_value(json_object_get(entry, "name"));
        const char *role = json_string_value(json_object_get(entry, "role"));
        struct vessel *one;
        int place;

        if (!name || !name_valid(name) || !role || vessels_find(vessels, name) != VESSELS_NONE
            || (place = make(vessels, name)) == VESSELS_NONE)
            continue;
        one = &vessels->all[place];
        one->named = json_is_true(json_object_get(entry, "named"));
        for (int known = 0; known < VESSEL_ROLES; known++)
            if (strcmp(role, vessel_role_name((enum vessel_role)known)) == 0)
                one->role = (enum vessel_role)known;
        one->mass_g = kept(entry, "mass_g", 0, 1e5);
        one->weight = kept(entry, "weight", 0, WEIGHT_MOST);
        one->squares_g2 = kept(entry, "squares_g2", 0, 1e6);
        one->seen = (int)kept(entry, "seen", 0, 1e9);
        one->seen_us = json_integer_value(json_object_get(entry, "seen_us"));
    }
}
