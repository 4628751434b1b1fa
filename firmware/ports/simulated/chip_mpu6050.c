/* MPU-6050, register map rev 4.2, from memory; sensitivities from data sheet rev 3.3. */
#include <math.h>
#include <string.h>

#include "chip.h"

static void put(sim_chip *chip, uint8_t at, double counts)
{
    double limited = fmin(fmax(round(counts), -32768.0), 32767.0);
    uint16_t bits = (uint16_t)(int32_t)limited;
    chip->registers[at] = (uint8_t)(bits >> 8);
    chip->registers[at + 1] = (uint8_t)(bits & 0xFFu);
}

/* Register map 4.1 to 4.4: the factory trim in counts, at +-8 g and +-250 deg/s. */
static double accel_trim(int code)
{
    return code == 0 ? 0.0 : 4096.0 * 0.34 * pow(0.92 / 0.34, (code - 1) / 30.0);
}

static double gyro_trim(int code)
{
    return code == 0 ? 0.0 : 25.0 * 131.0 * pow(1.046, code - 1);
}

static int trim_code(const sim_chip *chip, int axis)
{
    const uint8_t *r = &chip->registers[0x0D];
    if (axis >= 3) {
        return r[axis - 3] & 0x1F;
    }
    return (r[axis] >> 5) << 2 | ((r[3] >> (4 - 2 * axis)) & 0x03);
}

static void measure(sim_chip *chip)
{
    static const double per_g[4] = {16384.0, 8192.0, 4096.0, 2048.0};
    static const double per_dps[4] = {131.0, 65.5, 32.8, 16.4};
    if (chip->registers[0x6B] & 0x40) {
        return; /* asleep: the output registers keep what they hold */
    }
    uint8_t gyro = chip->registers[0x1B];
    uint8_t accel = chip->registers[0x1C];
    double g_scale = per_g[(accel >> 3) & 3];
    double dps_scale = per_dps[(gyro >> 3) & 3];
    for (int axis = 0; axis < 3; axis++) {
        double a = (chip->g[axis] + chip->noise_g * sim_chip_noise(chip)) * g_scale;
        double w = (chip->dps[axis] + chip->noise_dps * sim_chip_noise(chip)) * dps_scale;
        int a_code = trim_code(chip, axis);
        int w_code = trim_code(chip, 3 + axis);
        if (accel & (0x80 >> axis)) {
            /* A chip without trim record answers like one of code 10. */
            a += chip->answer[axis] * accel_trim(a_code ? a_code : 10) * g_scale / 4096.0;
        }
        if (gyro & (0x80 >> axis)) {
            double sign = axis == 1 ? -1.0 : 1.0;
            w += sign * chip->answer[3 + axis] * gyro_trim(w_code ? w_code : 10) *
                 dps_scale / 131.0;
        }
        put(chip, (uint8_t)(0x3B + 2 * axis), a);
        put(chip, (uint8_t)(0x43 + 2 * axis), w);
    }
    put(chip, 0x41, -521.0 + (chip->celsius - 35.0) * 340.0);
}

static void to_reset_values(sim_chip *chip)
{
    uint8_t trim[4];
    memcpy(trim, &chip->registers[0x0D], sizeof trim);
    uint8_t identity = chip->registers[0x75];
    memset(chip->registers, 0, sizeof chip->registers);
    memcpy(&chip->registers[0x0D], trim, sizeof trim);
    chip->registers[0x75] = identity;
    chip->registers[0x6B] = 0x40;
}

static void write_register(sim_chip *chip, uint8_t at, uint8_t value)
{
    int read_only = at == 0x75 || (at >= 0x0D && at <= 0x10) || (at >= 0x3A && at <= 0x60);
    if (at == 0x6B && (value & 0x80)) {
        to_reset_values(chip);
        chip->ready_ms = chip->now_ms + 100;
    } else if (!read_only) {
        chip->registers[at] = value;
    }
}

void sim_mpu6050_trim(sim_chip *chip, const uint8_t code[6])
{
    uint8_t low = 0;
    for (int axis = 0; axis < 3; axis++) {
        chip->registers[0x0D + axis] = (uint8_t)((code[axis] >> 2) << 5 | code[3 + axis]);
        low = (uint8_t)(low << 2 | (code[axis] & 3));
    }
    chip->registers[0x10] = low;
}

void sim_mpu6050(sim_chip *chip)
{
    static const uint8_t code[6] = {16, 1, 31, 12, 31, 1};
    memset(chip, 0, sizeof *chip);
    chip->address = 0x68;
    chip->nack_transfer = SIM_NO_FAULT;
    chip->registers[0x75] = 0x68;
    sim_mpu6050_trim(chip, code);
    to_reset_values(chip);
    chip->on_write = write_register;
    chip->on_read = measure;
    chip->g[0] = 0.25;
    chip->g[2] = -0.5;
    chip->dps[0] = 10.0;
    chip->dps[1] = -20.0;
    chip->celsius = 35.0;
    for (int i = 0; i < 6; i++) {
        chip->answer[i] = 1.0;
    }
}
