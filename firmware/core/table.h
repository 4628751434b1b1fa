/* The channel table: which rows the hello has, by the parts that are there. */
#ifndef KN_TABLE_H
#define KN_TABLE_H

#include <stdint.h>

#include "budget.h"
#include "channel.h"

/* Parts that a pod may have; sets of them are bits 1 << part. Those on the bus come first. */
enum kn_part {
    KN_PART_MPU6050 = 0,
    KN_PART_ADXL355 = 1,
    KN_BUS_PARTS = 2,
    KN_PART_POTENTIOMETER = 2,
    KN_PART_CALIPER = 3,
    KN_PARTS = 4
};

#define KN_BIT(part) ((uint8_t)(1u << (part)))

/* The same where `part` (or row) is not a constant: a call takes less flash than a shift by a
 * variable. */
uint8_t kn_bit(uint8_t part);

enum {
    KN_ROWS = 5,        /* most rows: accelerometer, gyro, temperature, two linear */
    KN_VALUES = 9,      /* most axes of all rows */
    KN_PART_VALUES = 7  /* most numbers of one part */
};

typedef struct kn_table {
    uint8_t parts;        /* the set it was built for */
    uint8_t source[KN_ROWS];
    kn_shape shape;
} kn_table;

/* Build the table for a set of parts. With both sensors on the bus the accelerometer and the
 * temperature are the ADXL355's, which is the less noisy, and the gyro the MPU-6050's. */
void kn_table_build(kn_table *t, uint8_t parts);

/* Copy a row's channel out of flash. */
void kn_table_channel(const kn_table *t, uint8_t row, kn_channel *into);

/* The part behind a row. */
uint8_t kn_table_part(const kn_table *t, uint8_t row);

/* The set of rows that come from a part. */
uint8_t kn_table_rows_of(const kn_table *t, uint8_t part);

/* The set of rows that begin with one of these numbers of a part: bit i is number i, as its
 * driver orders them. */
uint8_t kn_table_rows_with(const kn_table *t, uint8_t part, uint8_t firsts);

/* Copy what one part has read (numbers as its driver orders them) into the sample's numbers,
 * which stand in the order of the rows. */
void kn_table_place(const kn_table *t, uint8_t part, const int32_t *read, int32_t *values);

#endif
