/* Driver of the ADXL355, a low-noise 3-axis accelerometer of 20 bits on the bus, at +-2 g.
 *
 * Registers and figures: ADXL354/ADXL355 data sheet rev B, from memory.
 *
 * Set-up and self-test go step by step, by the same rules as those of mpu6050.h. */
#ifndef KN_ADXL355_H
#define KN_ADXL355_H

#include "channel.h"
#include "flash.h"
#include "port.h"

enum {
    KN_ADXL355_ADDRESS = 0x1D,
    KN_ADXL355_VALUES = 4, /* of one reading: ax ay az, temperature */
    KN_ADXL355_CHANNELS = 2,
    KN_ADXL355_BURST = 11
};

/* Rows of the channel table: accelerometer, temperature. */
extern const kn_channel kn_adxl355_channels[KN_ADXL355_CHANNELS] KN_FLASH;

typedef struct kn_adxl355 {
    uint16_t wait_ms;          /* least time before the next step of set-up or self-test */
    uint8_t failed;            /* of the last self-test: bits 0 to 2 ax ay az */
    uint8_t step;
    uint8_t filter;            /* FILTER in force */
    volatile uint8_t finished; /* index of the buffer with the last finished reading */
    uint8_t small[2];
    uint8_t raw[2][KN_ADXL355_BURST];
} kn_adxl355;

/* Forget everything; the next kn_adxl355_setup() begins anew. */
void kn_adxl355_reset(kn_adxl355 *a);

/* Next step of the set-up: identity, reset, range, the slowest output rate that is at least
 * `raw_rate_hz` (so that every reading is a new one; its low-pass, a quarter of it, lies below
 * half of `raw_rate_hz`), measuring; what was written is read back. KN_PENDING, KN_OK and
 * errors as for kn_mpu6050_setup(). */
int8_t kn_adxl355_setup(kn_adxl355 *a, uint16_t raw_rate_hz, kn_transfer *t);

/* [isr] Fill `t` with the transfer of one reading. */
void kn_adxl355_read(kn_adxl355 *a, kn_transfer *t);

/* [isr] The transfer of the reading has ended with KN_OK: it is now the last finished one.
 * It stays whole until the reading after the next is begun. */
void kn_adxl355_finish(kn_adxl355 *a);

/* The last finished reading: ax ay az (20 bits with sign) and temperature (12 bits, no sign) in raw
 * counts. KN_OK, or KN_E_NO_ANSWER for what only a sensor that has lost its power or its bus
 * gives (all 00 or all FF). */
int8_t kn_adxl355_decode(const kn_adxl355 *a, int32_t value[KN_ADXL355_VALUES]);

/* Begin a self-test; the sensor must be set up and must not be read meanwhile. */
void kn_adxl355_self_test_begin(kn_adxl355 *a);

/* Next step of the self-test: the change of each axis under the chip's own electrostatic
 * force lies within 0.1 to 0.6 g (x, y) and 0.5 to 3.0 g (z). Run at +-8 g, since 1 g of gravity and the
 * change of z do not fit into +-2 g. Keep the pod still. Takes about 0.4 s; it ends with the
 * settings of the set-up in force again. Results as for kn_mpu6050_self_test(). */
int8_t kn_adxl355_self_test(kn_adxl355 *a, kn_transfer *t);

#endif
