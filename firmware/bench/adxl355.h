/* ADXL355: registers and figures of its data sheet, from memory. The low-pass filter is taken as
 * one pole at a quarter of the output data rate. */
#ifndef BENCH_ADXL355_H
#define BENCH_ADXL355_H

#include "bus.h"

extern bus_device adxl355_device;

void adxl355_identity(uint8_t device_id);
/* Scale of the self-test's response: 1 as the data sheet's typical figure, 0 none. */
void adxl355_self_test(double scale);
uint8_t adxl355_register(uint8_t number);

#endif
