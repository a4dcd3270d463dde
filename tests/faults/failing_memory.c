/* Memory that fails at one call; see failing_memory.h. */
#include "failing_memory.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <link.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Under a sanitizer memory is the sanitizer's. */
void *__interceptor_malloc(size_t size) __attribute__((weak));
void *__interceptor_calloc(size_t count, size_t size) __attribute__((weak));
void *__interceptor_realloc(void *memory, size_t size) __attribute__((weak));
void *__libc_malloc(size_t size);
void *__libc_calloc(size_t count, size_t size);
void *__libc_realloc(void *memory, size_t size);

enum { SPARED_MOST = 64 };

static struct {
    uintptr_t begin, end;
} spared[SPARED_MOST];
static int spared_count;
static atomic_long calls, chosen;
static char made_when_failed[PATH_MAX];

static int spare(struct dl_phdr_info *object, size_t size, void *context)
{
    static const char *const names[] = { "libzmq", "libstdc++", "ld-linux", "libasan", "libubsan", "libtsan" };

    (void)size;
    (void)context;
    for (size_t name = 0; name < sizeof names / sizeof *names; name++)
        for (int i = 0; strstr(object->dlpi_name, names[name]) && i < object->dlpi_phnum; i++)
            if (object->dlpi_phdr[i].p_type == PT_LOAD && spared_count < SPARED_MOST) {
                spared[spared_count].begin = object->dlpi_addr + object->dlpi_phdr[i].p_vaddr;
                spared[spared_count].end = spared[spared_count].begin + object->dlpi_phdr[i].p_memsz;
                spared_count++;
            }
    return 0;
}

static void __attribute__((constructor)) begin(void)
{
    const char *order = getenv("FAILING_MEMORY"), *path = order ? strchr(order, ' ') : NULL;

    dl_iterate_phdr(spare, NULL);
    if (path && strlen(path) < sizeof made_when_failed) {
        strcpy(made_when_failed, path + 1);
        failing_memory_at(atol(order) ? atol(order) : LONG_MAX);
    }
}

/* How many there were, where none was to fail. */
static void __attribute__((destructor)) end(void)
{
    char text[32];
    int file;

    if (atomic_exchange(&chosen, 0) != LONG_MAX || (file = open(made_when_failed, O_WRONLY | O_CREAT, 0600)) < 0)
        return;
    if (write(file, text, (size_t)snprintf(text, sizeof text, "%ld", atomic_load(&calls))) < 0)
        abort();
    close(file);
}

void failing_memory_at(long number)
{
    atomic_store(&calls, 0);
    atomic_store(&chosen, number);
}

bool failing_memory_over(void)
{
    return atomic_exchange(&chosen, 0) < 0;
}

static bool fails(const void *caller)
{
    uintptr_t from = (uintptr_t)caller;

    if (atomic_load(&chosen) <= 0)
        return false;
    for (int i = 0; i < spared_count; i++)
        if (from >= spared[i].begin && from < spared[i].end)
            return false;
    if (atomic_fetch_add(&calls, 1) + 1 != atomic_load(&chosen))
        return false;
    atomic_store(&chosen, -1);
    if (made_when_failed[0])
        close(open(made_when_failed, O_WRONLY | O_CREAT | O_CLOEXEC, 0600));
    errno = ENOMEM;
    return true;
}

static void *get(size_t size)
{
    return __interceptor_malloc ? __interceptor_malloc(size) : __libc_malloc(size);
}

void *malloc(size_t size)
{
    return fails(__builtin_return_address(0)) ? NULL : get(size);
}

void *calloc(size_t count, size_t size)
{
    if (fails(__builtin_return_address(0)))
        return NULL;
    return __interceptor_calloc ? __interceptor_calloc(count, size) : __libc_calloc(count, size);
}

void *realloc(void *memory, size_t size)
{
    if (fails(__builtin_return_address(0)))
        return NULL;
    return __interceptor_realloc ? __interceptor_realloc(memory, size) : __libc_realloc(memory, size);
}

void *reallocarray(void *memory, size_t count, size_t size)
{
    size_t all;

    if (fails(__builtin_return_address(0)) || __builtin_mul_overflow(count, size, &all))
        return NULL;
    return __interceptor_realloc ? __interceptor_realloc(memory, all) : __libc_realloc(memory, all);
}

static char *copy(const char *text, size_t length)
{
    char *out = get(length + 1);

    if (!out)
        return NULL;
    memcpy(out, text, length);
    out[length] = '\0';
    return out;
}

char *strdup(const char *text)
{
    return fails(__builtin_return_address(0)) ? NULL : copy(text, strlen(text));
}

char *strndup(const char *text, size_t most)
{
    return fails(__builtin_return_address(0)) ? NULL : copy(text, strnlen(text, most));
}
