/* The sensors of a pod behind one set of functions, which call the drivers by name.
 *
 * A driver knows neither port nor pod: it fills in transfers and judges what they brought.
 * Set-up and self-test go one step a call, see mpu6050.h. */
#ifndef KN_SENSORS_H
#define KN_SENSORS_H

#include <stdint.h>

#include "adxl355.h"
#include "caliper.h"
#include "mpu6050.h"
#include "port.h"
#include "table.h"

typedef struct kn_sensors {
    kn_mpu6050 mpu6050;
    kn_adxl355 adxl355;
    kn_caliper caliper;
} kn_sensors;

/* `part` below is one on the bus. */

/* The next set-up begins with its first step. */
void kn_sensors_reset(kn_sensors *s, uint8_t part);

/* One step of the set-up for this many readings a second, as kn_mpu6050_setup(). */
int8_t kn_sensors_setup(kn_sensors *s, uint8_t part, uint16_t rate_hz, kn_transfer *t);

/* The next self-test begins with its first step. */
void kn_sensors_self_test_begin(kn_sensors *s, uint8_t part);

/* One step of the self-test, as kn_mpu6050_self_test(). */
int8_t kn_sensors_self_test(kn_sensors *s, uint8_t part, kn_transfer *t);

/* Where what the last self-test found bad begins in a reading: bit i is number i. */
uint8_t kn_sensors_failed(const kn_sensors *s, uint8_t part);

/* The wait that the last step asked for. */
uint16_t kn_sensors_wait_ms(const kn_sensors *s, uint8_t part);

/* [isr] Fill in the transfer of one reading. */
void kn_sensors_read(kn_sensors *s, uint8_t part, kn_transfer *t);

/* [isr] That transfer ended well: its reading is now the last finished one. */
void kn_sensors_finish(kn_sensors *s, uint8_t part);

/* The last finished reading; negative if it cannot be one. */
int8_t kn_sensors_decode(const kn_sensors *s, uint8_t part, int32_t value[KN_PART_VALUES]);

#endif
