#include "settings.h"

#include "bytes.h"
#include "crc.h"
#include "errors.h"
#include "once.h"

/* Of the record. */
enum {
    MAGIC_0 = 0x4B,
    MAGIC_1 = 0x53,
    RECORD_VERSION = 1,
    VERSION_AT = 2,
    LENGTH_AT = 4,
    IDENTITY_AT = 6,
    NAME_AT = 14,
    BAUD_AT = 38,
    HEAD_BYTES = 42
};

/* Of the slot. */
enum { GENERATION_AT = KN_SETTINGS_BYTES, MARK_AT = 259, TAIL_BYTES = 4 };

/* Of the writing. */
enum { IDLE, COMPARING, OPENING, PIECE, CHECKING, CLOSING };

#define READ_PIECE 16
#define NOT_WHOLE 0x00

static uint16_t address(uint8_t slot, uint16_t at)
{
    return (uint16_t)((slot == 0 || slot == KN_NO_SLOT ? 0 : KN_SLOT_BYTES) + at);
}

static void read(const kn_settings *s, uint8_t slot, uint16_t at, uint8_t *into, uint8_t length)
{
    s->port->keep_read(s->port->self, address(slot, at), into, length);
}

static uint16_t crc_of(const kn_settings *s, uint8_t slot, uint16_t length)
{
    uint16_t crc = KN_CRC_START;
    uint8_t piece[READ_PIECE];
    for (uint16_t at = 0; at < length;) {
        uint16_t left = (uint16_t)(length - at);
        uint8_t count = (uint8_t)(left < READ_PIECE ? left : READ_PIECE);
        read(s, slot, at, piece, count);
        crc = kn_crc_bytes(crc, piece, count);
        at = (uint16_t)(at + count);
    }
    return crc;
}

/* Whether the record itself is good, whatever the slot says. */
static uint8_t record_good(const kn_settings *s, uint8_t slot)
{
    uint8_t head[HEAD_BYTES];
    read(s, slot, 0, head, HEAD_BYTES);
    uint32_t baud = kn_get_u32(head + BAUD_AT);
    return head[0] == MAGIC_0 && head[1] == MAGIC_1 && head[VERSION_AT] == RECORD_VERSION &&
           kn_get_u16(head + LENGTH_AT) == KN_SETTINGS_BYTES && baud >= KN_BAUD_LEAST &&
           baud <= KN_BAUD_DEFAULT && crc_of(s, slot, KN_SETTINGS_BYTES) == 0;
}

/* The CRC of a slot with a good record: a record that ends with its own CRC has the CRC 0. */
static uint16_t slot_crc(uint8_t generation)
{
    return kn_crc_byte(0, generation);
}

static uint8_t slot_good(const kn_settings *s, uint8_t slot, uint8_t *generation)
{
    uint8_t tail[TAIL_BYTES];
    read(s, slot, GENERATION_AT, tail, TAIL_BYTES);
    *generation = tail[0];
    uint16_t crc = slot_crc(tail[0]);
    return tail[3] == KN_SLOT_WHOLE && tail[1] == (uint8_t)(crc >> 8) && tail[2] == (uint8_t)crc &&
           record_good(s, slot);
}

/* A byte of the record in force. */
static KN_ONCE uint8_t byte_at(const kn_settings *s, uint16_t at)
{
    uint8_t byte;
    read(s, s->slot, at, &byte, 1);
    return byte;
}

uint8_t kn_settings_identity(const kn_settings *s, uint8_t at)
{
    return kn_settings_blank(s) ? 0 : byte_at(s, (uint16_t)(IDENTITY_AT + at));
}

uint8_t kn_settings_name(const kn_settings *s, uint8_t at)
{
    return byte_at(s, (uint16_t)(NAME_AT + at));
}

static void take_into_use(kn_settings *s)
{
    uint8_t baud[4];
    read(s, s->slot, BAUD_AT, baud, sizeof baud);
    s->baud = kn_get_u32(baud);
    s->name_length = 0;
    while (s->name_length < KN_TEXT_LONGEST && kn_settings_name(s, s->name_length) != 0) {
        s->name_length++;
    }
}

void kn_settings_start(kn_settings *s, const kn_port *port)
{
    s->port = port;
    s->slot = KN_NO_SLOT;
    s->baud = KN_BAUD_DEFAULT;
    for (uint8_t slot = 0; slot < 2; slot++) {
        uint8_t generation;
        if (!slot_good(s, slot, &generation)) {
            continue;
        }
        /* Two good slots are one generation apart; the difference tells which way, wrapping. */
        if (s->slot == KN_NO_SLOT || (int8_t)(uint8_t)(generation - s->generation) > 0) {
            s->slot = slot;
            s->generation = generation;
        }
    }
    if (s->slot != KN_NO_SLOT) {
        take_into_use(s);
    }
}

uint8_t kn_settings_blank(const kn_settings *s)
{
    return s->slot == KN_NO_SLOT;
}

void kn_settings_read(const kn_settings *s, uint16_t offset, uint8_t *into, uint8_t length)
{
    read(s, s->slot, offset, into, length);
}

/* The slot that is not in force. */
static uint8_t spare(const kn_settings *s)
{
    return s->slot == 0 ? 1 : 0;
}

int8_t kn_settings_write(kn_settings *s, uint16_t offset, const uint8_t *data, uint8_t length)
{
    if (s->state != IDLE) {
        return KN_E_BUSY;
    }
    if (length == 0 || offset >= KN_SETTINGS_BYTES || length > KN_SETTINGS_BYTES - offset) {
        return KN_E_VALUE;
    }
    s->data = data;
    s->begin = offset;
    s->end = (uint16_t)(offset + length);
    s->state = s->open ? PIECE : offset == 0 ? OPENING : COMPARING;
    s->at = offset;
    return KN_OK;
}

static void write(kn_settings *s, uint16_t at, uint8_t value)
{
    /* Cannot be busy: kn_settings_step() has asked. */
    (void)s->port->keep_write(s->port->self, address(spare(s), at), value);
}

/* A piece from the middle, while no record is being written: if it says what is in force, all is
 * well. So the last piece may be sent again when its reply was lost. */
static int8_t compare(kn_settings *s)
{
    s->state = IDLE;
    for (; s->at < s->end; s->at++) {
        if (kn_settings_blank(s) || byte_at(s, s->at) != s->data[s->at - s->begin]) {
            return KN_E_DAMAGED;
        }
    }
    return KN_OK;
}

static void open_slot(kn_settings *s)
{
    /* Before anything else of the slot changes it must not count any more. */
    write(s, MARK_AT, NOT_WHOLE);
    s->open = 1;
    s->state = PIECE;
}

static void write_piece(kn_settings *s)
{
    write(s, s->at, s->data[s->at - s->begin]);
    s->at++;
    if (s->at == s->end) {
        s->state = CHECKING;
    }
}

/* The whole record is in memory: see whether it is good. */
static int8_t check(kn_settings *s)
{
    if (s->end != KN_SETTINGS_BYTES) {
        s->state = IDLE;
        return KN_OK;
    }
    s->open = 0;
    if (!record_good(s, spare(s))) {
        s->state = IDLE;
        return KN_E_DAMAGED;
    }
    s->state = CLOSING;
    return KN_PENDING;
}

static int8_t close_slot(kn_settings *s)
{
    uint8_t generation = (uint8_t)(s->generation + 1);
    uint16_t crc = slot_crc(generation);
    if (s->at <= MARK_AT) {
        const uint8_t tail[TAIL_BYTES] = {generation, (uint8_t)(crc >> 8), (uint8_t)crc,
                                          KN_SLOT_WHOLE};
        write(s, s->at, tail[s->at - GENERATION_AT]);
        s->at++;
        return KN_PENDING;
    }
    s->state = IDLE;
    if (!slot_good(s, spare(s), &generation)) {
        return KN_E_DAMAGED;
    }
    s->slot = spare(s);
    s->generation = generation;
    take_into_use(s);
    return KN_OK;
}

int8_t kn_settings_step(kn_settings *s)
{
    if (s->port->keep_busy(s->port->self)) {
        return KN_PENDING;
    }
    switch (s->state) {
    case COMPARING:
        return compare(s);
    case OPENING:
        open_slot(s);
        return KN_PENDING;
    case PIECE:
        write_piece(s);
        return KN_PENDING;
    case CHECKING:
        return check(s);
    case CLOSING:
        return close_slot(s);
    default:
        return KN_OK;
    }
}
