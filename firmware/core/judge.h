/* Judges readings: which rows they have, whether a sensor is stuck, out of range or gone. */
#ifndef KN_JUDGE_H
#define KN_JUDGE_H

#include <stdint.h>

#include "readings.h"
#include "table.h"

#define KN_RANGE_ROWS 2 /* accelerometer and gyro come first in the table */

struct kn_pod;

typedef struct kn_judge {
    uint8_t failures[KN_BUS_PARTS]; /* readings lost one after the other */
    uint16_t last[3];               /* accelerometer's low bits, to see whether it is stuck */
    uint16_t same;                  /* readings that were as the last one */
    uint16_t at_end[KN_RANGE_ROWS]; /* readings at the end of the range, less those that are not */
} kn_judge;

/* Readings begin: forget what the last ones were. */
void kn_judge_begin(struct kn_pod *pod);

/* Judge a reading and put its numbers in the order of the rows. Returns the set of rows that it
 * has; numbers of others are left as they are. */
uint8_t kn_judge_reading(struct kn_pod *pod, const kn_reading *reading, int32_t *values);

#endif
