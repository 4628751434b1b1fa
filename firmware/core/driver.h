/* What every sensor driver offers and how the core uses it. Drivers know no port and no pod:
 * they fill in transfers and judge what came back. sensors.c calls them by name.
 *
 * A sensor on the bus, here the MPU-6050:
 *
 *   void kn_mpu6050_reset(kn_mpu6050 *m);
 *       Begin set-up (or self-test) from its first step.
 *
 *   int8_t kn_mpu6050_setup(kn_mpu6050 *m, uint16_t raw_rate_hz, kn_transfer *t);
 *   int8_t kn_mpu6050_self_test(kn_mpu6050 *m, kn_transfer *t);
 *       One step each, from the main loop. KN_PENDING with t->address not 0: the core carries
 *       the transfer out and calls again with its result in t->status. KN_PENDING with
 *       t->address 0: the core calls again after m->wait_ms. KN_OK: done. Negative: failed.
 *       At the first call after reset() nothing of *t is meaningful. Every t->status that is
 *       not KN_OK ends the procedure with that error. A self-test leaves the sensor
 *       in need of a set-up.
 *       KN_E_IDENTITY: another part answers. KN_E_DAMAGED: the self-test's result is bad.
 *
 *   void kn_mpu6050_read(kn_mpu6050 *m, uint8_t slot, kn_transfer *t);               [isr]
 *       The transfer of one reading into buffer `slot` (0 to KN_SLOTS - 1) of the driver. Short:
 *       nothing but the assignments.
 *
 *   int8_t kn_mpu6050_decode(const kn_mpu6050 *m, uint8_t slot, int32_t value[7]);
 *       Main loop, while other slots may be under way: the numbers of that reading, ax ay az t
 *       gx gy gz. Negative if the bytes cannot be a reading (all 00, all FF...).
 *
 *   extern const kn_channel kn_mpu6050_channels[3] KN_FLASH;    accelerometer, gyro, temperature
 *
 * kn_adxl355_... likewise: value[4] is ax ay az t, kn_adxl355_channels[2] accelerometer and
 * temperature.
 *
 * Potentiometer: kn_potentiometer_channel, in flash; the reading is the sum of
 * KN_POTENTIOMETER_CONVERSIONS (16) conversions of analog input 0.
 *
 * Caliper:
 *
 *   void kn_caliper_reset(kn_caliper *c, uint32_t tick_hz);
 *   uint8_t kn_caliper_on_edge(kn_caliper *c, uint32_t tick, uint8_t data);             [isr]
 *       A bit. 0 if the line chatters (two edges closer than any caliper's, or too many): the
 *       port then stops listening until the core asks for edges again, KN_CALIPER_PAUSE_MS
 *       later. Else 1.
 *   int8_t kn_caliper_take(kn_caliper *c, uint32_t now, int32_t *value);
 *       Main loop, not locked: edges may come while it runs, so it must not hand out a torn
 *       packet. KN_OK and the newest value, if a good packet came within the last second, else
 *       KN_E_NO_ANSWER. Called at least once a second, so that ticks may wrap.
 *   extern const kn_channel kn_caliper_channel KN_FLASH;
 */
#ifndef KN_DRIVER_H
#define KN_DRIVER_H

/* Readings of a sensor that can be held at once: one under way, others waiting to be summed. */
#define KN_SLOTS 3

/* How long a chattering caliper line is left alone. */
#define KN_CALIPER_PAUSE_MS 20

#endif
