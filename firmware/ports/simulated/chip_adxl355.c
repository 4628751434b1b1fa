/* ADXL355, data sheet rev B, from memory. */
#include <math.h>
#include <string.h>

#include "chip.h"

/* 20 bits, left-justified in three registers. */
static void put(sim_chip *chip, uint8_t at, double counts)
{
    double limited = fmin(fmax(round(counts), -524288.0), 524287.0);
    uint32_t bits = ((uint32_t)(int32_t)limited & 0xFFFFFu) << 4;
    chip->registers[at] = (uint8_t)(bits >> 16);
    chip->registers[at + 1] = (uint8_t)((bits >> 8) & 0xFFu);
    chip->registers[at + 2] = (uint8_t)(bits & 0xFFu);
}

static void measure(sim_chip *chip)
{
    static const double per_g[4] = {0.0, 256000.0, 128000.0, 64000.0};
    static const double typical_answer_g[3] = {0.3, 0.3, 1.5};
    if (chip->registers[0x2D] & 0x01) {
        return; /* standby */
    }
    double scale = per_g[chip->registers[0x2C] & 3];
    for (int axis = 0; axis < 3; axis++) {
        double a = chip->g[axis] + chip->noise_g * sim_chip_noise(chip);
        if ((chip->registers[0x2E] & 0x03) == 0x03) {
            a += chip->answer[axis] * typical_answer_g[axis];
        }
        put(chip, (uint8_t)(0x08 + 3 * axis), a * scale);
    }
    long counts = lround(1885.0 - 9.05 * (chip->celsius - 25.0));
    chip->registers[0x06] = (uint8_t)((counts >> 8) & 0x0F);
    chip->registers[0x07] = (uint8_t)(counts & 0xFF);
}

static void to_reset_values(sim_chip *chip)
{
    uint8_t identity[3];
    memcpy(identity, chip->registers, sizeof identity);
    memset(chip->registers, 0, sizeof chip->registers);
    memcpy(chip->registers, identity, sizeof identity);
    chip->registers[0x03] = 0x01;
    chip->registers[0x29] = 0x60;
    chip->registers[0x2C] = 0x81;
    chip->registers[0x2D] = 0x01;
}

static void write_register(sim_chip *chip, uint8_t at, uint8_t value)
{
    int standby = chip->registers[0x2D] & 0x01;
    if (at == 0x2F) {
        if (value == 0x52) {
            to_reset_values(chip);
            chip->ready_ms = chip->now_ms + 10;
        }
    } else if (at == 0x28 || at == 0x2C) {
        /* "Write to filter and range in standby" is what the data sheet advises. */
        if (standby) {
            chip->registers[at] = value;
        }
    } else if (at >= 0x1E && at <= 0x2E) {
        chip->registers[at] = value;
    }
}

void sim_adxl355(sim_chip *chip)
{
    memset(chip, 0, sizeof *chip);
    chip->address = 0x1D;
    chip->nack_transfer = SIM_NO_FAULT;
    chip->registers[0x00] = 0xAD;
    chip->registers[0x01] = 0x1D;
    chip->registers[0x02] = 0xED;
    to_reset_values(chip);
    chip->on_write = write_register;
    chip->on_read = measure;
    chip->g[0] = 0.25;
    chip->g[2] = -0.5;
    chip->celsius = 25.0;
    for (int i = 0; i < 6; i++) {
        chip->answer[i] = 1.0;
    }
}
