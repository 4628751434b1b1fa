/* Driver of the MPU-6050, a 6-axis inertial sensor on the bus, at +-2 g and +-250 deg/s.
 *
 * Registers: MPU-6050 register map rev 4.2, from memory; figures: data sheet rev 3.3.
 *
 * Set-up and self-test go step by step. Each call of kn_mpu6050_setup() or
 * kn_mpu6050_self_test() that returns KN_PENDING has filled a transfer to be run before the
 * next call, or, with `address` 0, none: then nothing is to be run. In both cases `wait_ms`
 * is the least time from the end of that transfer to the next call. Every other return value ends the
 * sequence. The transfer must be the same one throughout and its status be set before the
 * next call. */
#ifndef KN_MPU6050_H
#define KN_MPU6050_H

#include "channel.h"
#include "flash.h"
#include "port.h"

enum {
    KN_MPU6050_ADDRESS = 0x68,
    KN_MPU6050_VALUES = 7,    /* of one reading: ax ay az, temperature, gx gy gz */
    KN_MPU6050_CHANNELS = 3,
    KN_MPU6050_BURST = 14
};

/* Rows of the channel table: accelerometer, gyro, temperature. */
extern const kn_channel kn_mpu6050_channels[KN_MPU6050_CHANNELS] KN_FLASH;

typedef struct kn_mpu6050 {
    uint16_t wait_ms;         /* least time before the next step of set-up or self-test */
    uint8_t failed;           /* of the last self-test: bits 0 to 2 ax ay az, 3 to 5 gx gy gz */
    uint8_t step;
    uint8_t low_pass;         /* CONFIG in force */
    volatile uint8_t finished; /* index of the buffer with the last finished reading */
    uint8_t small[5];
    uint8_t raw[2][KN_MPU6050_BURST];
} kn_mpu6050;

/* Forget everything; the next kn_mpu6050_setup() begins anew. */
void kn_mpu6050_reset(kn_mpu6050 *m);

/* Next step of the set-up: identity, reset, clock, ranges, and the widest low-pass of the
 * register map that is at most a quarter of `raw_rate_hz` (the narrowest, 5 Hz, if none is);
 * what was written is read back. Takes 170 ms in all.
 * KN_PENDING: see above. KN_OK: ready to be read. KN_E_IDENTITY: another part answers.
 * KN_E_DAMAGED: the settings do not read back as written. Any other error is that of the
 * transfer. After an error the next call begins anew. */
int8_t kn_mpu6050_setup(kn_mpu6050 *m, uint16_t raw_rate_hz, kn_transfer *t);

/* [isr] Fill `t` with the transfer of one reading. */
void kn_mpu6050_read(kn_mpu6050 *m, kn_transfer *t);

/* [isr] The transfer of the reading has ended with KN_OK: it is now the last finished one.
 * It stays whole until the reading after the next is begun. */
void kn_mpu6050_finish(kn_mpu6050 *m);

/* The last finished reading: ax ay az, temperature, gx gy gz in raw counts.
 * KN_OK, or KN_E_NO_ANSWER for what only a sensor that has lost its power or its bus gives
 * (all 00, as after its power-on reset, or all FF). */
int8_t kn_mpu6050_decode(const kn_mpu6050 *m, int32_t value[KN_MPU6050_VALUES]);

/* Begin a self-test; the sensor must be set up and must not be read meanwhile. */
void kn_mpu6050_self_test_begin(kn_mpu6050 *m);

/* Next step of the self-test: the change of each axis under the chip's own electrostatic
 * force against its factory trim, +-14 % (data sheet rev 3.3). An axis without trim (code 0,
 * common in copies of the chip) is only held against the span of all trims. Keep the pod still. Takes
 * about 0.6 s; it ends with the settings of the set-up in force again.
 * KN_PENDING: see above. KN_OK: good. KN_E_VALUE: bad, see `failed`. Any other error is that
 * of the transfer; then reset and set up anew. */
int8_t kn_mpu6050_self_test(kn_mpu6050 *m, kn_transfer *t);

#endif
