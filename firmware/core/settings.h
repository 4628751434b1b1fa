/* The settings record in memory that outlives the power: two slots, of which the newer good
 * one is in force. A new record is written into the other slot, whose last byte, written last,
 * makes it count; so power lost at any byte leaves the record that was in force.
 *
 * A slot: the record (256 bytes), a generation (1), CRC-16 of both (2, high byte first), a
 * mark (1) that is KN_SLOT_WHOLE in a complete slot.
 *
 * A record is written from its first byte to its last, in pieces. The piece that begins it opens
 * the other slot, the one that ends it closes the slot. */
#ifndef KN_SETTINGS_H
#define KN_SETTINGS_H

#include <stdint.h>

#include "port.h"
#include "protocol.h"

enum {
    KN_SLOT_BYTES = 260,
    KN_SLOT_WHOLE = 0xA5,
    KN_NO_SLOT = 0xFF,
    KN_IDENTITY_BYTES = 8
};

#define KN_BAUD_DEFAULT 115200u
#define KN_BAUD_LEAST 9600u

typedef struct kn_settings {
    const kn_port *port;
    uint8_t slot;       /* in force, or KN_NO_SLOT */
    uint8_t generation; /* of that slot */
    uint8_t state;      /* of the writing, settings.c */
    uint8_t open;       /* whether the other slot is being written */
    const uint8_t *data;
    uint16_t begin;     /* of the piece, in the record */
    uint16_t end;
    uint16_t at;        /* of the next byte to write */
    uint8_t name_length;
    uint32_t baud;      /* KN_BAUD_DEFAULT if no record is in force */
} kn_settings;

/* Find the record in force and take its baud rate. Reads both slots; all other memory of it is 0. */
void kn_settings_start(kn_settings *s, const kn_port *port);

/* Whether no good record is there: defaults are in force. */
uint8_t kn_settings_blank(const kn_settings *s);

/* Read a piece of the record in force; without one, of the first slot as it is (FF if nothing
 * was ever written). `offset` + `length` at most 256. Not while a piece is being written. */
void kn_settings_read(const kn_settings *s, uint16_t offset, uint8_t *into, uint8_t length);

/* One byte of the identity in force, `at` 0 to 7, or of the name, `at` below `name_length`. 0 without
 * a record. Not while a piece is being written. */
uint8_t kn_settings_identity(const kn_settings *s, uint8_t at);
uint8_t kn_settings_name(const kn_settings *s, uint8_t at);

/* Begin to write a piece; `data` must stay until kn_settings_step() has said how it went.
 * KN_OK, KN_E_VALUE if it runs past the record's end, KN_E_BUSY while another is written. */
int8_t kn_settings_write(kn_settings *s, uint16_t offset, const uint8_t *data, uint8_t length);

/* Write at most one byte. KN_PENDING: ask again. KN_OK: the piece is in memory and, if it ended
 * the record, the record is in force. KN_E_DAMAGED: the whole record does not check, or a
 * piece came without the record's beginning; the record in force before stays. */
int8_t kn_settings_step(kn_settings *s);

#endif
