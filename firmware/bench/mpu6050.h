/* MPU-6050: registers of its register map (revision 4.2, from memory), figures of its data
 * sheet (revision 3.3). The low-pass filter is taken as one pole; its shape is not published. */
#ifndef BENCH_MPU6050_H
#define BENCH_MPU6050_H

#include "bus.h"

extern bus_device mpu6050_device;

void mpu6050_identity(uint8_t who_am_i);
/* Scale of the self-test's response: 1 as the factory trim says, 0 none. */
void mpu6050_self_test(double scale);
uint8_t mpu6050_register(uint8_t number);

#endif
