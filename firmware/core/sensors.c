#include "sensors.h"

void kn_sensors_reset(kn_sensors *s, uint8_t part)
{
    if (part == KN_PART_MPU6050) {
        kn_mpu6050_reset(&s->mpu6050);
    } else {
        kn_adxl355_reset(&s->adxl355);
    }
}

int8_t kn_sensors_setup(kn_sensors *s, uint8_t part, uint16_t rate_hz, kn_transfer *t)
{
    return part == KN_PART_MPU6050 ? kn_mpu6050_setup(&s->mpu6050, rate_hz, t)
                                   : kn_adxl355_setup(&s->adxl355, rate_hz, t);
}

void kn_sensors_self_test_begin(kn_sensors *s, uint8_t part)
{
    if (part == KN_PART_MPU6050) {
        kn_mpu6050_self_test_begin(&s->mpu6050);
    } else {
        kn_adxl355_self_test_begin(&s->adxl355);
    }
}

int8_t kn_sensors_self_test(kn_sensors *s, uint8_t part, kn_transfer *t)
{
    return part == KN_PART_MPU6050 ? kn_mpu6050_self_test(&s->mpu6050, t)
                                   : kn_adxl355_self_test(&s->adxl355, t);
}

uint8_t kn_sensors_failed(const kn_sensors *s, uint8_t part)
{
    return part == KN_PART_MPU6050 ? s->mpu6050.failed : s->adxl355.failed;
}

uint16_t kn_sensors_wait_ms(const kn_sensors *s, uint8_t part)
{
    return part == KN_PART_MPU6050 ? s->mpu6050.procedure.wait_ms
                                   : s->adxl355.procedure.wait_ms;
}

void kn_sensors_read(kn_sensors *s, uint8_t part, kn_transfer *t)
{
    if (part == KN_PART_MPU6050) {
        kn_mpu6050_read(&s->mpu6050, t);
    } else {
        kn_adxl355_read(&s->adxl355, t);
    }
}

void kn_sensors_finish(kn_sensors *s, uint8_t part)
{
    if (part == KN_PART_MPU6050) {
        kn_mpu6050_finish(&s->mpu6050);
    } else {
        kn_adxl355_finish(&s->adxl355);
    }
}

int8_t kn_sensors_decode(const kn_sensors *s, uint8_t part, int32_t value[KN_PART_VALUES])
{
    return part == KN_PART_MPU6050 ? kn_mpu6050_decode(&s->mpu6050, value)
                                   : kn_adxl355_decode(&s->adxl355, value);
}
