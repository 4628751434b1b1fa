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

static uint8_t zero_at(const kn_writer *w, uint8_t at)
{
    return (uint8_t)(w->zeros[at >> 3] & (1u << (at & 7u)));
}

/* COBS: before a run without zeros stands its length plus one. */
static void emit_run_length(kn_writer *w, uint8_t from)
{
    uint8_t end = from;
    while (end < w->length && !zero_at(w, end)) {
        end++;
    }
    emit(w, (uint8_t)(end - from + 1));
}

static void put_body(kn_writer *w, uint8_t byte)
{
    if (w->pass == 1) {
        if (byte == 0) {
            w->zeros[w->at >> 3] = (uint8_t)(w->zeros[w->at >> 3] | (1u << (w->at & 7u)));
        }
    } else if (byte == 0) {
        emit_run_length(w, (uint8_t)(w->at + 1));
    } else {
        emit(w, byte);
    }
    w->at++;
}

static void put_crc(kn_writer *w)
{
    put_body(w, (uint8_t)(w->crc >> 8));
    put_body(w, (uint8_t)w->crc);
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
        w->crc = kn_crc_byte(KN_CRC_START, w->type);
    } else {
        emit(w, 0);
        emit_run_length(w, 0);
    }
    put_body(w, w->type);
    return 1;
}

KN_ONCE void kn_put_u8(kn_writer *w, uint8_t value)
{
    if (w->at >= KN_BODY_LONGEST - 2) {
        return;
    }
    if (w->pass == 1) {
        w->crc = kn_crc_byte(w->crc, value);
    }
    put_body(w, value);
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
