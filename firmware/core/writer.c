#include "writer.h"

#include <string.h>

#include "access.h"
#include "crc.h"
#include "flash.h"
#include "once.h"

/* A frame on the line is its body with two delimiters and one byte of stuffing. */
#define AROUND_BODY 3

static void flush(kn_writer *w)
{
    w->port->transmit(w->port->self, w->piece, w->filled);
    w->filled = 0;
}

KN_ONCE static void emit(kn_writer *w, uint8_t byte)
{
    w->piece[w->filled++] = byte;
    if (w->filled == KN_WRITER_PIECE) {
        flush(w);
    }
}

/* COBS: before a run without zeros stands its length plus one. */
static void emit_run_length(kn_writer *w, uint8_t from)
{
    const uint8_t *zeros = w->zeros + (from >> 3);
    uint8_t bit = (uint8_t)(1u << (from & 7u));
    uint8_t run = 1;
    for (; from < w->length && !(*zeros & bit); from++, run++) {
        bit = (uint8_t)(bit << 1);
        if (bit == 0) {
            bit = 1;
            zeros++;
        }
    }
    emit(w, run);
}

KN_ONCE void kn_put_u8(kn_writer *w, uint8_t value)
{
    uint8_t at = w->at;
    if (at >= KN_BODY_LONGEST) {
        return;
    }
    w->at = (uint8_t)(at + 1);
    if (w->pass == 1) {
        w->crc = kn_crc_byte(w->crc, value);
        if (value == 0) {
            w->zeros[at >> 3] = (uint8_t)(w->zeros[at >> 3] | (1u << (at & 7u)));
        }
    } else if (value == 0) {
        emit_run_length(w, (uint8_t)(at + 1));
    } else {
        emit(w, value);
    }
}

static void put_crc(kn_writer *w)
{
    uint16_t crc = w->crc;
    kn_put_u8(w, (uint8_t)(crc >> 8));
    kn_put_u8(w, (uint8_t)crc);
    w->crc = crc;
}

KN_ONCE void kn_writer_begin(kn_writer *w, const kn_port *port, uint8_t type)
{
    w->port = port;
    w->type = type;
    w->pass = 0;
    w->sent = 0;
    w->filled = 0;
    memset(w->zeros, 0, sizeof w->zeros);
}

uint8_t kn_writer_pass(kn_writer *w)
{
    if (w->pass == 1) {
        put_crc(w);
        w->length = w->at;
        if (kn_room(w->port) < (size_t)w->length + AROUND_BODY) {
            return 0;
        }
    } else if (w->pass == 2) {
        put_crc(w);
        emit(w, 0);
        flush(w);
        w->sent = 1;
        return 0;
    }
    w->pass++;
    w->at = 0;
    if (w->pass == 1) {
        w->crc = KN_CRC_START;
    } else {
        emit(w, 0);
        emit_run_length(w, 0);
    }
    kn_put_u8(w, w->type);
    return 1;
}

KN_ONCE void kn_put_u16(kn_writer *w, uint16_t value)
{
    kn_put_u8(w, (uint8_t)value);
    kn_put_u8(w, (uint8_t)(value >> 8));
}

KN_ONCE void kn_put_u32(kn_writer *w, uint32_t value)
{
    kn_put_u16(w, (uint16_t)value);
    kn_put_u16(w, (uint16_t)(value >> 16));
}

KN_ONCE void kn_put_bytes(kn_writer *w, const uint8_t *data, uint8_t length)
{
    for (uint8_t i = 0; i < length; i++) {
        kn_put_u8(w, data[i]);
    }
}

KN_ONCE void kn_put_flash(kn_writer *w, const void *data, uint8_t length)
{
    for (uint8_t i = 0; i < length; i++) {
        kn_put_u8(w, kn_flash_byte((const uint8_t *)data + i));
    }
}

KN_ONCE uint16_t kn_writer_sent(const kn_writer *w)
{
    return w->sent ? (uint16_t)(w->length + AROUND_BODY) : 0;
}

KN_ONCE uint16_t kn_write_frame(const kn_port *port, uint8_t type, const uint8_t *payload, uint8_t length)
{
    kn_writer w;
    for (kn_writer_begin(&w, port, type); kn_writer_pass(&w);) {
        kn_put_bytes(&w, payload, length);
    }
    return kn_writer_sent(&w);
}
