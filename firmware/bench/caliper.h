/* A digital caliper's clock and data on D2 and D3: 24 bits, least significant first, magnitude in
 * bits 0 to 19, sign in bit 20, inch in bit 23 (from memory; no source). Data change a quarter
 * bit before the clock falls and stay until a quarter bit after it has risen. */
#ifndef BENCH_CALIPER_H
#define BENCH_CALIPER_H

#include <stdbool.h>
#include <stdint.h>

void caliper_after_reset(void);
/* Show a value in units of 0.01 mm, or of 0.0005 inch. */
void caliper_show(int32_t units, bool inch);
void caliper_remove(void);
void caliper_timing(uint32_t bit_us, uint32_t packet_us);
/* Bits in a packet (24), to send wrong ones. */
void caliper_bits(uint8_t bits);
/* Let both lines chatter at that many clock edges a second instead; 0 ends it. */
void caliper_chatter(uint32_t edges_hz);
extern uint64_t caliper_packets, caliper_edges;

#endif
