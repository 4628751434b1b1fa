#include "receiver.h"

#include "crc.h"
#include "errors.h"

#define CRC_BYTES 2

/* Undo COBS in place: the body is never longer than its stuffed form. Returns its length, 0 if
 * a run points past the end. */
static uint8_t unstuff(uint8_t *frame, uint8_t length)
{
    uint8_t from = 0;
    uint8_t to = 0;
    while (from < length) {
        uint8_t run = frame[from++];
        if (run - 1 > length - from) {
            return 0;
        }
        for (uint8_t i = 1; i < run; i++) {
            frame[to++] = frame[from++];
        }
        if (from < length) {
            frame[to++] = 0;
        }
    }
    return to;
}

void kn_receiver_reset(kn_receiver *r)
{
    r->length = 0;
    r->too_long = 0;
}

void kn_receiver_done(kn_receiver *r)
{
    kn_receiver_reset(r);
}

static int8_t complete(kn_receiver *r)
{
    uint8_t damaged = r->too_long;
    uint8_t body = damaged ? 0 : unstuff(r->frame, r->length);
    if (body <= CRC_BYTES || kn_crc_bytes(KN_CRC_START, r->frame, body) != 0) {
        kn_receiver_reset(r);
        return KN_E_DAMAGED;
    }
    r->length = (uint8_t)(body - CRC_BYTES);
    return KN_OK;
}

int8_t kn_receiver_take(kn_receiver *r, uint8_t byte)
{
    if (byte == 0) {
        return r->length == 0 ? KN_PENDING : complete(r);
    }
    if (r->length == sizeof r->frame) {
        r->too_long = 1;
    } else {
        r->frame[r->length++] = byte;
    }
    return KN_PENDING;
}
