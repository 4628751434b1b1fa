/* A sensor on the bus as its data sheet's register map describes it, with switchable faults. */
#ifndef SIM_CHIP_H
#define SIM_CHIP_H

#include "port.h"

enum { SIM_REGISTERS = 128, SIM_NO_FAULT = -1 };

typedef struct sim_chip sim_chip;

struct sim_chip {
    uint8_t address;
    uint8_t registers[SIM_REGISTERS];
    uint32_t now_ms;
    uint32_t ready_ms; /* before this the chip acknowledges nothing (it resets) */
    uint8_t gone;
    uint8_t frozen; /* its output registers keep what they hold */
    int nack_transfer; /* number of the transfer of which one byte is not acknowledged */
    int nack_byte;     /* which: 0 the address, then the bytes written, then the second address */
    int transfers;     /* so far */
    int written;       /* bytes written into registers so far */
    void (*on_write)(sim_chip *chip, uint8_t at, uint8_t value);
    void (*on_read)(sim_chip *chip); /* bring the output registers up to date */
    /* What it measures; it gives counts of the range that it was told to use. */
    double g[3];
    double dps[3];
    double celsius;
    double noise_g; /* standard deviation of a reading */
    double noise_dps;
    uint64_t random;
    /* Its answer to the self-test: 1 as the data sheet says; by axis, accelerometer first. */
    double answer[6];
};

/* As after power-on. */
void sim_mpu6050(sim_chip *chip);
void sim_adxl355(sim_chip *chip);

/* Factory trim codes of the MPU-6050's six axes, accelerometer first, 0 to 31. */
void sim_mpu6050_trim(sim_chip *chip, const uint8_t code[6]);

/* The next number of the chip's own noise: standard deviation 1, the sum of 12 even ones. */
double sim_chip_noise(sim_chip *chip);

/* Carry the transfer out; returns its bytes on the bus, addresses included, up to a fault. */
int sim_chip_transfer(sim_chip *chip, kn_transfer *t);

#endif
