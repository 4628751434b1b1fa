#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fuzz.h"

static uint16_t crc_of(const uint8_t *data, size_t length)
{
    uint32_t crc = 0xFFFF;
    for (size_t i = 0; i < length; i++) {
        crc ^= (uint32_t)data[i] << 8;
        for (int bit = 0; bit < 8; bit++) {
            crc = crc & 0x8000u ? (crc << 1) ^ 0x1021u : crc << 1;
        }
    }
    return (uint16_t)(crc & 0xFFFFu);
}

size_t fuzz_frame(const uint8_t *body, size_t length, uint8_t *into)
{
    uint8_t whole[256];
    size_t at = 1;
    size_t code = 1;
    const uint16_t crc = crc_of(body, length);
    memcpy(whole, body, length);
    whole[length] = (uint8_t)(crc >> 8);
    whole[length + 1] = (uint8_t)(crc & 0xFFu);
    into[0] = 0;
    at = code + 1;
    for (size_t i = 0; i < length + 2; i++) {
        if (whole[i] == 0) {
            into[code] = (uint8_t)(at - code);
            code = at;
            at++;
        } else {
            into[at++] = whole[i];
        }
    }
    into[code] = (uint8_t)(at - code);
    into[at++] = 0;
    return at;
}

uint8_t fuzz_unframe(const uint8_t *stuffed, size_t size, uint8_t *body, size_t *length)
{
    size_t from = 0;
    size_t to = 0;
    if (size > 251) {
        return 0;
    }
    while (from < size) {
        const size_t run = stuffed[from++];
        if (run == 0 || from + run - 1 > size) {
            return 0;
        }
        for (size_t i = 1; i < run; i++) {
            body[to++] = stuffed[from++];
        }
        if (from < size) {
            body[to++] = 0;
        }
    }
    if (to < 3 || crc_of(body, to) != 0) {
        return 0;
    }
    *length = to - 2;
    return body[0];
}

void fuzz_must(int good, const char *what, const char *file, int line)
{
    if (!good) {
        fprintf(stderr, "%s:%d: not so: %s\n", file, line, what);
        abort();
    }
}
