/* Memory that runs out in the middle of an answer: loaded before libjansson (LD_PRELOAD), the value numbered
 * FAILING_JSON that a program makes is none. */
#include <dlfcn.h>
#include <jansson.h>
#include <stdbool.h>
#include <stdlib.h>

static bool fails(void)
{
    static long left = -1;

    if (left < 0)
        left = getenv("FAILING_JSON") ? strtol(getenv("FAILING_JSON"), NULL, 10) : 0;
    return left > 0 && --left == 0;
}

json_t *json_real(double value)
{
    json_t *(*real)(double) = (json_t * (*)(double)) dlsym(RTLD_NEXT, "json_real");

    return fails() ? NULL : real(value);
}

json_t *json_integer(json_int_t value)
{
    json_t *(*real)(json_int_t) = (json_t * (*)(json_int_t)) dlsym(RTLD_NEXT, "json_integer");

    return fails() ? NULL : real(value);
}

json_t *json_string(const char *value)
{
    json_t *(*real)(const char *) = (json_t * (*)(const char *)) dlsym(RTLD_NEXT, "json_string");

    return fails() ? NULL : real(value);
}
