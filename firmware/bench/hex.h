/* Bytes as hexadecimal text. */
#ifndef BENCH_HEX_H
#define BENCH_HEX_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

void hex_write(FILE *to, const uint8_t *data, size_t length);
bool hex_read(const char *text, uint8_t *into, size_t size, size_t *length);

#endif
