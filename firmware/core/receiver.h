/* Takes commands out of received bytes: unstuffs them and checks their CRC. Whatever comes, it
 * needs no more than its buffer and goes on at the next delimiter. */
#ifndef KN_RECEIVER_H
#define KN_RECEIVER_H

#include <stdint.h>

#include "protocol.h"

typedef struct kn_receiver {
    uint8_t length;   /* bytes since the last delimiter */
    uint8_t too_long; /* more came than fit: waiting for the next delimiter */
    uint8_t frame[KN_COMMAND_BODY_LONGEST + 1]; /* stuffed, then the body in its place */
} kn_receiver;

/* Begin at the start of a stream, which counts as a delimiter. */
void kn_receiver_reset(kn_receiver *r);

/* Take one byte. KN_PENDING: no frame is complete. KN_OK: `frame` holds a body with a good CRC, of
 * `length` bytes without the CRC (type, then payload); the next byte overwrites it.
 * KN_E_DAMAGED: what came since the last delimiter was too long, or failed its stuffing or
 * CRC, and is thrown away. */
int8_t kn_receiver_take(kn_receiver *r, uint8_t byte);

/* Forget the frame that kn_receiver_take() has announced. */
void kn_receiver_done(kn_receiver *r);

#endif
