/* The words that messages use for changes and the rules for names.  Stages and measures have theirs
 * in stages.c, units in units.c. */
#include "poise/messages.h"

#include <string.h>

#define NAME_LETTERS "abcdefghijklmnopqrstuvwxyz0123456789-"

bool name_valid(const char *name)
{
    size_t length = strlen(name);

    return length > 0 && length < NAME_SIZE && strspn(name, NAME_LETTERS) == length;
}

bool brew_name_valid(const char *name)
{
    const size_t date_digits = 8, least_number_digits = 3;
    const char *number = strrchr(name, '-'), *date;
    char bench[NAME_SIZE];

    if (strlen(name) >= BREW_SIZE || !number || (size_t)(number - name) < date_digits + 2)
        return false;
    if (strlen(number + 1) < least_number_digits || number[1 + strspn(number + 1, "0123456789")])
        return false;
    date = number - date_digits - 1;
    if (*date != '-' || strspn(date + 1, "0123456789") != date_digits || date - name >= NAME_SIZE)
        return false;
    memcpy(bench, name, (size_t)(date - name));
    bench[date - name] = '\0';
    return name_valid(bench);
}

bool brew_name_ends(const char *name, const char *ending)
{
    size_t length = strlen(name), end = strlen(ending);

    return end > 0 && end <= length && strcmp(name + length - end, ending) == 0;
}

int brew_name_order(const char *a, const char *b)
{
    const char *number_a = strrchr(a, '-'), *number_b = strrchr(b, '-');
    size_t digits_a = number_a ? strlen(number_a) : 0, digits_b = number_b ? strlen(number_b) : 0;
    bool same_day = digits_a && number_a - a == number_b - b && strncmp(a, b, (size_t)(number_a - a)) == 0;

    if (same_day && digits_a != digits_b)
        return digits_a < digits_b ? -1 : 1;
    return strcmp(a, b);
}

const char *brew_change_name(enum brew_change change)
{
    static const char *const names[] = { "begin", "end", "discard", "note", "verdict" };

    return names[change];
}

const char *check_kind_name(enum check_kind kind)
{
    static const char *const names[CHECK_KINDS] = { "blank", "spread", "zero", "mass", "brix", "vessel", "control" };

    return names[kind];
}

const char *check_kind_unit(enum check_kind kind)
{
    static const char *const units[CHECK_KINDS] = { "%", "%", "g", "g", "°Bx", "g", "%" };

    return units[kind];
}

const char *vessel_role_name(enum vessel_role role)
{
    static const char *const names[VESSEL_ROLES] = { "unknown", "cup", "brewer" };

    return names[role];
}

const char *made_by_name(enum made_by by)
{
    return by == BY_OPERATOR ? "operator" : "tracker";
}

const char *instrument_change_name(enum instrument_change change)
{
    static const char *const names[] = { "found",   "ready",   "silent",  "lost",
                                         "refused", "flooded", "ordered", "calibrated" };

    return names[change];
}
