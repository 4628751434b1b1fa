/* Writes frames: delimiters, COBS stuffing, CRC.
 *
 * No frame is ever held in memory whole. Its bytes are put twice: the first pass finds the
 * length, the CRC and where the zeros are, which is all that the stuffing must know ahead;
 * the second sends. So the same loop puts both, and must put the same bytes both times:
 *
 *     kn_writer w;
 *     for (kn_writer_begin(&w, port, KN_FRAME_ACK); kn_writer_pass(&w);) {
 *         kn_put_u8(&w, token);
 *         ...
 *     }
 *     return w.sent;
 */
#ifndef KN_WRITER_H
#define KN_WRITER_H

#include <stddef.h>
#include <stdint.h>

#include "port.h"
#include "protocol.h"

/* Bytes handed to the port at once. */
#define KN_WRITER_PIECE 16

typedef struct kn_writer {
    const kn_port *port;
    uint16_t crc;
    uint8_t type;
    uint8_t pass;   /* 0 before the first, 1 measuring, 2 sending */
    uint8_t at;     /* bytes of the body put in this pass */
    uint8_t length; /* of the body with its CRC */
    uint8_t sent;   /* whether the frame went out: 0 if the port had no room for it */
    uint8_t filled;
    uint8_t zeros[(KN_BODY_LONGEST + 7) / 8]; /* bit i: byte i of the body is 00 */
    uint8_t piece[KN_WRITER_PIECE];
} kn_writer;

/* Prepare a frame of this type. */
void kn_writer_begin(kn_writer *w, const kn_port *port, uint8_t type);

/* Whether to put the payload (again): see above. */
uint8_t kn_writer_pass(kn_writer *w);

void kn_put_u8(kn_writer *w, uint8_t value);
void kn_put_u16(kn_writer *w, uint16_t value);
void kn_put_u32(kn_writer *w, uint32_t value);
void kn_put_bytes(kn_writer *w, const uint8_t *data, uint8_t length);
void kn_put_flash(kn_writer *w, const void *data, uint8_t length);

/* A whole frame whose payload is in memory. Returns its bytes on the line, 0 if there was no room. */
uint16_t kn_write_frame(const kn_port *port, uint8_t type, const uint8_t *payload, uint8_t length);

/* Bytes on the line of the frame just written; 0 if there was no room for it. */
uint16_t kn_writer_sent(const kn_writer *w);

#endif
