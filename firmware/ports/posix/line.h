/* The line to the host: a pseudo terminal or a listening socket with one host at a time. */
#ifndef POSIX_LINE_H
#define POSIX_LINE_H

#include <stddef.h>
#include <stdint.h>

#include "options.h"

typedef struct line {
    enum line_kind kind;
    int listening;   /* -1 for a pseudo terminal */
    int open;        /* where bytes go now, or -1 */
    int attended;    /* somebody has the other end */
    char place[128];
    size_t waiting;  /* bytes that the host has not taken yet */
    uint8_t out[16384];
} line;

/* 0, or -1 with the reason printed. `place` is then what the host needs to know. */
int line_open(line *l, const options *o);
void line_close(line *l);

/* Wait up to `timeout_ms` for bytes, or for the end of standard input if `until_eof`. Returns 1
 * if that has ended, else 0. */
int line_wait(line *l, int timeout_ms, int until_eof);

/* Bytes from the host, up to `size`. */
size_t line_read(line *l, uint8_t *into, size_t size);

/* Bytes to the host. What nobody takes is lost, as on a wire. */
void line_write(line *l, const uint8_t *data, size_t length);

#endif
