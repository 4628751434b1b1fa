/* A digital caliper with the common clock-and-data output: packets of 24 bits, lowest first,
 * some ten a second. Bits 0 to 19 are the magnitude, bit 20 the sign, bit 23 is 1 in inch mode;
 * one count is 0.01 mm or 0.0005 in (common practice, no source; from memory).
 *
 * Values are in units of 0.0001 mm, the largest unit that holds both exactly: 100 for a count
 * in mm mode, 127 for one in inch mode. */
#ifndef KN_CALIPER_H
#define KN_CALIPER_H

#include "channel.h"
#include "flash.h"

enum {
    KN_CALIPER_SILENCE_US = 1000, /* a longer silence of the clock separates packets */
    KN_CALIPER_SHORTEST_US = 40,  /* clock edges closer together are chatter */
    KN_CALIPER_STALE_MS = 1000    /* a value older than this is none */
};

/* A larger magnitude (419.4 mm) is no reading: values have 23 bits with sign. */
#define KN_CALIPER_LARGEST INT32_C(4194303)

/* Row of the channel table. */
extern const kn_channel kn_caliper_channel KN_FLASH;

typedef struct kn_caliper {
    uint16_t pause_ticks;
    uint16_t shortest_ticks;
    /* Written by kn_caliper_on_edge() alone. */
    uint32_t edge_tick;
    uint32_t word;
    uint8_t edges;   /* counts every edge: tells kn_caliper_take() that it was interrupted */
    uint8_t bits;    /* of this packet, 255 if it is no good */
    uint8_t dropped; /* packets that were no good, wrapping */
    /* Written by kn_caliper_take() alone. */
    uint8_t taken; /* `edges` of the packet taken last */
    uint8_t known;
    int32_t value;
    uint32_t value_tick;
} kn_caliper;

/* Begin anew, with nothing read. `tick_hz` is the rate of all ticks below, at most 60 MHz. */
void kn_caliper_reset(kn_caliper *c, uint32_t tick_hz);

/* [isr] The edge of the clock at which data is valid has come at `tick`; `data` is the bit as
 * the caliper means it, 0 or 1 (the port knows of level shifters). Short: some 90 instructions
 * of an 8-bit machine. */
void kn_caliper_on_edge(kn_caliper *c, uint32_t tick, uint8_t data);

/* The value shown by the caliper now, in 0.0001 mm, from the last good packet.
 * KN_OK with `*value` set; KN_E_NO_ANSWER if there was none in the last second. Packets with a
 * wrong number of bits, too fast edges or an impossible value are dropped. To be called every
 * few ms: a packet is whole when the line has been silent, and gone when the next one begins. */
int8_t kn_caliper_take(kn_caliper *c, uint32_t now, int32_t *value);

#endif
