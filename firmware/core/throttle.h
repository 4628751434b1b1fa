/* How much a streaming pod may reply, so that its samples keep their share of the line:
 * docs/protocol.md, "Rate of replies". */
#ifndef KN_THROTTLE_H
#define KN_THROTTLE_H

#include <stdint.h>

typedef struct kn_throttle {
    int16_t allowance;  /* bytes; below zero after a long reply */
    uint16_t fraction;  /* thousandths of a byte */
} kn_throttle;

/* The whole allowance, 150 bytes. */
void kn_throttle_fill(kn_throttle *t);

/* Let time pass on a line of `baud`: 60 + baud / 160 bytes a second. */
void kn_throttle_pass(kn_throttle *t, uint32_t baud, uint16_t elapsed_ms);

/* Whether a command may be answered. */
uint8_t kn_throttle_open(const kn_throttle *t);

/* A reply of so many bytes on the line has been sent. Only for commands that were begun while it was
 * open, so that the debt is that of one reply at most. */
void kn_throttle_spend(kn_throttle *t, uint16_t bytes);

#endif
