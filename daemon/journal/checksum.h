/* A checksum of 64 bits for what lies on a disk.  Any damage within eight bytes is always found, any other is missed
 * once in 2^64.  It keeps nobody out who wants to change something. */
#ifndef POISE_CHECKSUM_H
#define POISE_CHECKSUM_H

#include <stdint.h>
#include <string.h>

/* Each step can be undone, so that two inputs which differ in one word never meet again; the constants are the odd one
 * of Knuth's multiplicative hashing for 64 bits (The Art of Computer Programming, volume 3, 6.4) and the length. */
static inline uint64_t checksum64(const void *data, size_t length)
{
    const unsigned char *at = data;
    uint64_t sum = length, word;

    for (; length >= sizeof word; at += sizeof word, length -= sizeof word) {
        memcpy(&word, at, sizeof word);
        sum = (sum ^ word) * UINT64_C(0x9e3779b97f4a7c15);
        sum ^= sum >> 32;
    }
    word = 0;
    memcpy(&word, at, length);
    sum = (sum ^ word) * UINT64_C(0x9e3779b97f4a7c15);
    return sum ^ sum >> 32;
}

#endif
