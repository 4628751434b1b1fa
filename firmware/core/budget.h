/* How many bytes the samples take and the averaging that a line carries: the rule of
 * docs/protocol.md ("Averaging and the line"), in whole numbers. */
#ifndef KN_BUDGET_H
#define KN_BUDGET_H

#include <stdint.h>

#include "protocol.h"

/* What the rule needs to know of a channel table. */
typedef struct kn_shape {
    uint8_t rows;
    uint8_t axes[KN_CHANNELS_LONGEST];
    uint8_t bits[KN_CHANNELS_LONGEST];
} kn_shape;

/* All rows. */
#define KN_ALL_ROWS 0xFFu

/* Bytes in which the sum of `averaging` readings of `bits` bits is sent: 2, 3 or 4, or 0 if it
 * needs more than 32 bits. */
uint8_t kn_sample_width(uint8_t bits, uint16_t averaging);

/* Bytes of one sample of the rows in `mask`; 0 if a sum needs more than 32 bits. */
uint8_t kn_sample_bytes(const kn_shape *shape, uint8_t mask, uint16_t averaging);

/* Readings that are made in 0.2 s, the longest that a frame may take to fill. */
uint16_t kn_readings_in_frame_time(uint32_t raw_period, uint32_t tick_hz);

/* Samples in one frame: what fits into `room` bytes, or what is made in 0.2 s, but at least 1 and
 * at most 255. */
uint8_t kn_samples_per_frame(uint8_t sample_bytes, uint8_t room, uint16_t averaging,
                             uint16_t readings_in_frame_time);

/* The smallest averaging from 1 to KN_AVERAGING_LARGEST that the line carries; 0 if none. A table
 * without rows needs 1. */
uint16_t kn_least_averaging(const kn_shape *shape, uint32_t baud, uint32_t raw_period,
                            uint32_t tick_hz);

#endif
