/* A sensor on the bus as its data sheet's register map describes it, with switchable faults. */
#ifndef FAKE_CHIP_H
#define FAKE_CHIP_H

#include "port.h"

enum { FAKE_REGISTERS = 128, NO_FAULT = -1 };

typedef struct fake_chip fake_chip;

struct fake_chip {
    uint8_t address;
    uint8_t registers[FAKE_REGISTERS];
    uint32_t now_ms;
    uint32_t ready_ms; /* before this the chip acknowledges nothing (it resets) */
    uint8_t gone;
    int nack_transfer; /* number of the transfer of which one byte is not acknowledged */
    int nack_byte;     /* which: 0 the address, then the bytes written, then the second address */
    int transfers;     /* so far */
    int written;       /* bytes written into registers so far */
    void (*on_write)(fake_chip *chip, uint8_t at, uint8_t value);
    void (*on_read)(fake_chip *chip); /* bring the output registers up to date */
    /* What it measures, in counts of the range it was told to use, per 1 g, 1 deg/s. */
    double g[3];
    double dps[3];
    double celsius;
    /* Its answer to the self-test: 1 as the data sheet says; by axis, accelerometer first. */
    double answer[6];
};

/* As after power-on. */
void fake_mpu6050(fake_chip *chip);
void fake_adxl355(fake_chip *chip);

/* Factory trim codes of the MPU-6050's six axes, accelerometer first, 0 to 31. */
void fake_mpu6050_trim(fake_chip *chip, const uint8_t code[6]);

/* Carry the transfer out; returns its bytes on the bus, addresses included, up to a fault. */
int fake_chip_transfer(fake_chip *chip, kn_transfer *t);

#endif
