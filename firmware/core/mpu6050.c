#include "mpu6050.h"

#include "errors.h"

enum {
    SELF_TEST_X = 0x0D,
    CONFIG = 0x1A,
    GYRO_CONFIG = 0x1B,
    ACCEL_CONFIG = 0x1C,
    ACCEL_XOUT_H = 0x3B,
    PWR_MGMT_1 = 0x6B,
    WHO_AM_I = 0x75
};

enum {
    IDENTITY = 0x68,
    DEVICE_RESET = 0x80,
    CLOCK_GYRO_X = 0x01, /* awake; the gyro's oscillator is steadier than the internal one */
    LOW_PASS_10_HZ = 5,
    GYRO_250_DPS = 0,
    GYRO_TEST = 0xE0, /* force on x, y, z at +-250 deg/s */
    ACCEL_2_G = 0,
    ACCEL_8_G = 0x10, /* the range that the self-test is stated for */
    ACCEL_TEST = 0xF0 /* force on x, y, z at +-8 g */
};

/* Where the self-test keeps what it reads. */
enum { WITHOUT_FORCE = 0, WITH_FORCE = KN_MPU6050_BURST, TRIM = 2 * KN_MPU6050_BURST };

enum { LAST_CODE = 31 };

/* The reset takes up to 100 ms, the gyro's start 30 ms. */
static const kn_step setup_steps[] KN_FLASH = {
    {KN_STEP_IDENTITY, WHO_AM_I, IDENTITY},
    {KN_STEP_WRITE, PWR_MGMT_1, DEVICE_RESET},
    {KN_STEP_WAIT, 0, 110},
    {KN_STEP_WRITE, PWR_MGMT_1, CLOCK_GYRO_X},
    {KN_STEP_WAIT, 0, 50},
    {KN_STEP_WRITE, CONFIG, KN_STEP_SETTING},
    {KN_STEP_WRITE, GYRO_CONFIG, GYRO_250_DPS},
    {KN_STEP_WRITE, ACCEL_CONFIG, ACCEL_2_G},
    {KN_STEP_WAIT, 0, 100},
    {KN_STEP_VERIFY, PWR_MGMT_1, CLOCK_GYRO_X},
    {KN_STEP_VERIFY, CONFIG, KN_STEP_SETTING},
    {KN_STEP_VERIFY, GYRO_CONFIG, GYRO_250_DPS},
    {KN_STEP_VERIFY, ACCEL_CONFIG, ACCEL_2_G},
    {KN_STEP_END, 0, 0},
};

static const kn_step self_test_steps[] KN_FLASH = {
    {KN_STEP_WRITE, CONFIG, LOW_PASS_10_HZ},
    {KN_STEP_WRITE, ACCEL_CONFIG, ACCEL_8_G},
    {KN_STEP_WAIT, 0, 250},
    {KN_STEP_READ + KN_MPU6050_BURST, ACCEL_XOUT_H, WITHOUT_FORCE},
    {KN_STEP_WRITE, GYRO_CONFIG, GYRO_TEST},
    {KN_STEP_WRITE, ACCEL_CONFIG, ACCEL_TEST},
    {KN_STEP_WAIT, 0, 250},
    {KN_STEP_READ + KN_MPU6050_BURST, ACCEL_XOUT_H, WITH_FORCE},
    {KN_STEP_READ + KN_MPU6050_TRIM, SELF_TEST_X, TRIM},
    {KN_STEP_WRITE, CONFIG, KN_STEP_SETTING},
    {KN_STEP_WRITE, GYRO_CONFIG, GYRO_250_DPS},
    {KN_STEP_WRITE, ACCEL_CONFIG, ACCEL_2_G},
    {KN_STEP_WAIT, 0, 250},
    {KN_STEP_END, 0, 0},
};

const kn_channel kn_mpu6050_channels[KN_MPU6050_CHANNELS] KN_FLASH = {
    {.kind = KN_KIND_ACCELEROMETER,
     .sensor = KN_SENSOR_MPU6050,
     .axes = 3,
     .bits = 16,
     .scale = 1.0f / 16384.0f,
     .offset = 0.0f,
     .full_scale = 2.0f,
     .noise_density = 400e-6f},
    {.kind = KN_KIND_GYRO,
     .sensor = KN_SENSOR_MPU6050,
     .axes = 3,
     .bits = 16,
     .scale = 250.0f / 32768.0f,
     .offset = 0.0f,
     .full_scale = 250.0f,
     .noise_density = 0.005f},
    {.kind = KN_KIND_TEMPERATURE,
     .sensor = KN_SENSOR_MPU6050,
     .axes = 1,
     .bits = 16,
     .scale = 1.0f / 340.0f,
     .offset = 35.0f + 521.0f / 340.0f,
     .full_scale = 85.0f,
     .noise_density = 0.0f},
};

/* Accelerometer bandwidth in Hz of CONFIG 1 to 6. */
static const uint8_t low_pass_hz[6] KN_FLASH = {184, 94, 44, 21, 10, 5};

/* Factory trim in counts: of code 1, times 256; what each further code adds, times 65536. */
enum { ACCEL_GROWTH = 2211, GYRO_GROWTH = 3015 };
static const uint32_t ACCEL_FIRST = 356516; /* 4096 * 0.34; 0.92 / 0.34 to the power of 1/30 */
static const uint32_t GYRO_FIRST = 838400;  /* 25 * 131; 1.046 */

static uint8_t low_pass_for(uint16_t raw_rate_hz)
{
    uint8_t choice = 0;
    while (choice < 5 && kn_flash_byte(&low_pass_hz[choice]) > raw_rate_hz / 4u) {
        choice++;
    }
    return (uint8_t)(choice + 1u);
}

void kn_mpu6050_reset(kn_mpu6050 *m)
{
    kn_procedure_begin(&m->procedure);
}

int8_t kn_mpu6050_setup(kn_mpu6050 *m, uint16_t raw_rate_hz, kn_transfer *t)
{
    m->low_pass = low_pass_for(raw_rate_hz);
    return kn_procedure_step(&m->procedure, setup_steps, KN_MPU6050_ADDRESS, m->low_pass,
                             m->memory, t);
}

void kn_mpu6050_read(kn_mpu6050 *m, kn_transfer *t)
{
    m->first = ACCEL_XOUT_H;
    kn_registers_read(t, KN_MPU6050_ADDRESS, &m->first,
                      &m->memory[m->finished ? 0 : KN_MPU6050_BURST], KN_MPU6050_BURST);
}

void kn_mpu6050_finish(kn_mpu6050 *m)
{
    m->finished = !m->finished;
}

static int16_t big_endian(const uint8_t *at)
{
    return (int16_t)(uint16_t)(((uint16_t)at[0] << 8) | at[1]);
}

int8_t kn_mpu6050_decode(const kn_mpu6050 *m, int32_t value[KN_MPU6050_VALUES])
{
    const uint8_t *raw = &m->memory[m->finished ? KN_MPU6050_BURST : 0];
    uint8_t any = 0;
    for (uint8_t i = 0; i < KN_MPU6050_BURST; i++) {
        any |= raw[i];
    }
    if (any == 0 || raw[KN_MPU6050_BURST - 1] == 0xFF) {
        return KN_E_NO_ANSWER;
    }
    for (uint8_t i = 0; i < KN_MPU6050_VALUES; i++) {
        value[i] = big_endian(&raw[2u * i]);
    }
    return KN_OK;
}

static uint16_t trim_of(uint32_t first, uint16_t growth, uint8_t code)
{
    uint32_t trim = first;
    while (--code != 0) {
        trim += ((trim >> 6) * growth) >> 10;
    }
    return (uint16_t)(trim >> 8);
}

/* 9/64: the 14 % of the data sheet. */
static uint16_t tolerance(uint16_t trim)
{
    return (uint16_t)((trim >> 3) + (trim >> 6));
}

/* Whether the change is the trim's within its tolerance; without a trim, that of any chip. */
static uint8_t change_is_good(int32_t change, uint8_t code, uint32_t first, uint16_t growth)
{
    uint16_t least = trim_of(first, growth, code != 0 ? code : 1);
    uint16_t most = trim_of(first, growth, code != 0 ? code : LAST_CODE);
    uint16_t size = (uint16_t)change;
    least = (uint16_t)(least - tolerance(least));
    most = (uint16_t)(most + tolerance(most));
    return change == (int32_t)size && size >= least && size <= most;
}

/* The change of the value at `at` of a reading. */
static int32_t change_at(const kn_mpu6050 *m, uint8_t at)
{
    return (int32_t)big_endian(&m->memory[WITH_FORCE + at]) -
           big_endian(&m->memory[WITHOUT_FORCE + at]);
}

static uint8_t failed_kinds(const kn_mpu6050 *m)
{
    const uint8_t *trim = &m->memory[TRIM];
    uint8_t failed = 0;
    for (uint8_t axis = 0; axis < 3; axis++) {
        uint8_t accel_low = (uint8_t)(trim[3] >> (4u - 2u * axis)) & 0x03u;
        uint8_t accel_code = (uint8_t)(((trim[axis] >> 3) & 0x1Cu) | accel_low);
        int32_t turn = change_at(m, (uint8_t)(8u + 2u * axis));
        if (!change_is_good(change_at(m, (uint8_t)(2u * axis)), accel_code, ACCEL_FIRST,
                            ACCEL_GROWTH)) {
            failed |= 1u << 0;
        }
        if (!change_is_good(axis == 1 ? -turn : turn, trim[axis] & 0x1Fu, GYRO_FIRST,
                            GYRO_GROWTH)) {
            failed |= 1u << 4;
        }
    }
    return failed;
}

void kn_mpu6050_self_test_begin(kn_mpu6050 *m)
{
    kn_procedure_begin(&m->procedure);
}

int8_t kn_mpu6050_self_test(kn_mpu6050 *m, kn_transfer *t)
{
    int8_t result = kn_procedure_step(&m->procedure, self_test_steps, KN_MPU6050_ADDRESS,
                                      m->low_pass, m->memory, t);
    if (result == KN_OK) {
        m->failed = failed_kinds(m);
        result = m->failed == 0 ? KN_OK : KN_E_VALUE;
    }
    return result;
}
