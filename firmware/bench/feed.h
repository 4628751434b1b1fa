/* What the sensors feel over time, in physical units: rows of acceleration (g), temperature
 * (degrees Celsius) and rate of turn (deg/s), each in force from its cycle until the next. */
#ifndef BENCH_FEED_H
#define BENCH_FEED_H

#include <stdint.h>

#define FEED_VALUES 7 /* ax ay az t gx gy gz */

typedef struct feed_reader {
    uint64_t next; /* number of the row not yet taken */
    uint64_t last_cycle;
    float now[FEED_VALUES];
} feed_reader;

void feed_add(uint64_t cycle, const float row[FEED_VALUES]);
/* Take one more row that is in force by `cycle`; seconds since the row before, or negative if
 * there is none. */
double feed_take(feed_reader *reader, uint64_t cycle);
/* Rows that are still ahead of `cycle`. */
uint64_t feed_ahead(uint64_t cycle);

#endif
