/* The identity of the running build, as the linker wrote it into the program (ELF note NT_GNU_BUILD_ID). */
#include <elf.h>
#include <link.h>
#include <stdio.h>
#include <string.h>

#include "poise/program.h"

enum { BUILD_BYTES = 20 }; /* SHA-1 */

static size_t padded(size_t size)
{
    return (size + 3) & ~(size_t)3;
}

/* A segment of notes: each a header, a name and a description, both padded to words. */
static void read_notes(const char *at, size_t left, char *out)
{
    while (left >= sizeof(ElfW(Nhdr))) {
        const ElfW(Nhdr) *note = (const ElfW(Nhdr) *)(const void *)at;
        size_t name = padded(note->n_namesz), size = sizeof *note + name + padded(note->n_descsz);

        if (size > left)
            return;
        if (note->n_type == NT_GNU_BUILD_ID && note->n_namesz == 4 && memcmp(at + sizeof *note, "GNU", 4) == 0)
            for (size_t i = 0; i < note->n_descsz && i < BUILD_BYTES; i++)
                snprintf(out + 2 * i, 3, "%02x", (unsigned char)at[sizeof *note + name + i]);
        at += size;
        left -= size;
    }
}

/* The program itself comes first. */
static int read_program(struct dl_phdr_info *info, size_t size, void *context)
{
    (void)size;
    for (int i = 0; i < info->dlpi_phnum; i++)
        if (info->dlpi_phdr[i].p_type == PT_NOTE && info->dlpi_phdr[i].p_align <= 4)
            read_notes((const char *)(info->dlpi_addr + info->dlpi_phdr[i].p_vaddr), info->dlpi_phdr[i].p_memsz,
                       context);
    return 1;
}

const char *program_build(void)
{
    static char build[2 * BUILD_BYTES + 1];

    if (!build[0])
        dl_iterate_phdr(read_program, build);
    return build;
}
