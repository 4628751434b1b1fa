/* Driver of the MPU-6050, a 6-axis inertial sensor on the bus, at +-2 g and +-250 deg/s.
 * registers.h states the rules that it shares with the other drivers.
 *
 * Registers: MPU-6050 register map rev 4.2, from memory; figures: data sheet rev 3.3. */
#ifndef KN_MPU6050_H
#define KN_MPU6050_H

#include "channel.h"
#include "flash.h"
#include "port.h"
#include "procedure.h"
#include "registers.h"

enum {
    KN_MPU6050_ADDRESS = 0x68,
    KN_MPU6050_VALUES = 7, /* of one reading: ax ay az, temperature, gx gy gz */
    KN_MPU6050_CHANNELS = 3,
    /* The values and the register after them, 0x49, which is 00 while the chip's own bus is unused. */
    KN_MPU6050_BURST = 2 * KN_MPU6050_VALUES + 1,
    KN_MPU6050_TRIM = 4
};

/* Rows of the channel table: accelerometer, gyro, temperature. */
extern const kn_channel kn_mpu6050_channels[KN_MPU6050_CHANNELS] KN_FLASH;

typedef struct kn_mpu6050 {
    kn_procedure procedure;
    /* By the last self-test: bit 0 the accelerometer, bit 4 the gyro, as their numbers begin. */
    uint8_t failed;
    uint8_t low_pass; /* CONFIG in force */
    uint8_t first;    /* register that a reading begins with, where the bus takes it from */
    volatile uint8_t finished; /* which buffer holds the last finished reading */
    uint8_t memory[2 * KN_MPU6050_BURST + KN_MPU6050_TRIM]; /* two readings, the trim */
} kn_mpu6050;

/* The next kn_mpu6050_setup() begins with its first step. */
void kn_mpu6050_reset(kn_mpu6050 *m);

/* Next step of the set-up: identity, reset, clock, ranges, and the widest low-pass that is at
 * most a quarter of `raw_rate_hz` (the narrowest, 5 Hz, if none is); what was written is read
 * back. Waits 260 ms in all.
 * KN_OK: ready to be read. KN_E_IDENTITY: another part answers. KN_E_DAMAGED: the settings do
 * not read back as written. Other errors are those of the transfer. */
int8_t kn_mpu6050_setup(kn_mpu6050 *m, uint16_t raw_rate_hz, kn_transfer *t);

/* [isr] Fill `t` with the transfer of one reading. */
void kn_mpu6050_read(kn_mpu6050 *m, kn_transfer *t);

/* [isr] That transfer has ended with KN_OK. */
void kn_mpu6050_finish(kn_mpu6050 *m);

/* The last finished reading: ax ay az, temperature, gx gy gz in raw counts.
 * KN_OK, or KN_E_NO_ANSWER for what only a sensor gives that has lost its power or its bus
 * (all 00, as after its power-on reset, or FF at the end: nobody pulls the line low). */
int8_t kn_mpu6050_decode(const kn_mpu6050 *m, int32_t value[KN_MPU6050_VALUES]);

/* The next kn_mpu6050_self_test() begins with its first step. */
void kn_mpu6050_self_test_begin(kn_mpu6050 *m);

/* Next step of the self-test of a sensor that is set up and not being read: the change of each
 * axis under the chip's own electrostatic force against its factory trim, +-14 % (data sheet
 * rev 3.3). An axis whose trim was not recorded (code 0) is held against the span of all
 * possible trims. The pod must stand still. Waits 0.75 s in all.
 * KN_OK: good. KN_E_VALUE: bad, see `failed`. After both the settings of the set-up are in
 * force again. Other errors are those of the transfer. */
int8_t kn_mpu6050_self_test(kn_mpu6050 *m, kn_transfer *t);

#endif
