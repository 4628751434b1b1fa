#include "mpu6050.h"

enum {
    SELF_TEST_X = 0x0D,
    SMPLRT_DIV = 0x19,
    GYRO_CONFIG = 0x1B,
    ACCEL_XOUT_H = 0x3B,
    PWR_MGMT_1 = 0x6B,
    WHO_AM_I = 0x75
};

enum {
    IDENTITY = 0x68,
    DEVICE_RESET = 0x80,
    CLOCK_GYRO_X = 0x01, /* awake; the gyro's oscillator is steadier than the internal one */
    LOW_PASS_10_HZ = 5,
    GYRO_TEST = 0xE0,  /* force on x, y, z at +-250 deg/s */
    ACCEL_8_G = 0x10,  /* the range that the self-test is stated for */
    ACCEL_TEST = 0xF0  /* force on x, y, z at +-8 g */
};

enum { RESET_MS = 110, START_MS = 50, SETTLE_MS = 100, TEST_MS = 250 };

enum { LAST_CODE = 31, READY = 255 };

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

/* Factory trim in counts for code 1 to 31: 4096 * 0.34 * (0.92 / 0.34)^((code - 1) / 30). */
static const uint16_t accel_trim[LAST_CODE] KN_FLASH = {
    1393, 1440, 1488, 1538, 1590, 1644, 1699, 1757, 1816, 1877, 1941, 2006, 2074, 2144, 2216,
    2291, 2368, 2448, 2531, 2616, 2704, 2795, 2890, 2987, 3088, 3192, 3300, 3411, 3526, 3645,
    3768,
};

/* Likewise 25 * 131 * 1.046^(code - 1). */
static const uint16_t gyro_trim[LAST_CODE] KN_FLASH = {
    3275, 3426, 3583, 3748, 3920, 4101, 4289, 4487, 4693, 4909, 5135, 5371, 5618, 5877, 6147,
    6430, 6725, 7035, 7358, 7697, 8051, 8421, 8809, 9214, 9638, 10081, 10545, 11030, 11537, 12068,
    12623,
};

static uint8_t low_pass_for(uint16_t raw_rate_hz)
{
    uint8_t choice = 0;
    while (choice < 5 && kn_flash_byte(&low_pass_hz[choice]) > raw_rate_hz / 4u) {
        choice++;
    }
    return (uint8_t)(choice + 1u);
}

static void write_small(kn_mpu6050 *m, kn_transfer *t, uint8_t length)
{
    kn_registers_write(t, KN_MPU6050_ADDRESS, m->small, length);
}

static void write_power(kn_mpu6050 *m, kn_transfer *t, uint8_t value)
{
    m->small[0] = PWR_MGMT_1;
    m->small[1] = value;
    write_small(m, t, 2);
}

/* Sample rate divider 0, low-pass, ranges and test forces in one go. */
static void write_settings(kn_mpu6050 *m, kn_transfer *t, uint8_t low_pass, uint8_t gyro,
                           uint8_t accel)
{
    m->small[0] = SMPLRT_DIV;
    m->small[1] = 0;
    m->small[2] = low_pass;
    m->small[3] = gyro;
    m->small[4] = accel;
    write_small(m, t, 5);
}

static void read_from(kn_mpu6050 *m, kn_transfer *t, uint8_t first, uint8_t *into, uint8_t length)
{
    m->small[0] = first;
    kn_registers_read(t, KN_MPU6050_ADDRESS, m->small, into, length);
}

static void wait(kn_mpu6050 *m, kn_transfer *t, uint8_t wait_ms)
{
    kn_registers_wait(t);
    m->wait_ms = wait_ms;
}

void kn_mpu6050_reset(kn_mpu6050 *m)
{
    m->step = 0;
    m->wait_ms = 0;
    m->failed = 0;
    m->finished = 0;
    for (uint8_t i = 0; i < KN_MPU6050_BURST; i++) {
        m->raw[0][i] = 0;
        m->raw[1][i] = 0;
    }
}

static int8_t ended(kn_mpu6050 *m, int8_t result)
{
    m->step = result < 0 ? 0 : READY;
    return result;
}

int8_t kn_mpu6050_setup(kn_mpu6050 *m, uint16_t raw_rate_hz, kn_transfer *t)
{
    m->wait_ms = 0;
    if (m->step == READY) {
        return KN_OK;
    }
    if (m->step != 0 && t->status != KN_OK) {
        return ended(m, t->status);
    }
    switch (m->step++) {
    case 0:
        read_from(m, t, WHO_AM_I, &m->small[1], 1);
        break;
    case 1:
        if (m->small[1] != IDENTITY) {
            return ended(m, KN_E_IDENTITY);
        }
        write_power(m, t, DEVICE_RESET);
        break;
    case 2:
        wait(m, t, RESET_MS);
        break;
    case 3:
        write_power(m, t, CLOCK_GYRO_X);
        break;
    case 4:
        wait(m, t, START_MS);
        break;
    case 5:
        m->low_pass = low_pass_for(raw_rate_hz);
        write_settings(m, t, m->low_pass, 0, 0);
        break;
    case 6:
        wait(m, t, SETTLE_MS);
        break;
    case 7:
        read_from(m, t, SMPLRT_DIV, &m->small[1], 4);
        break;
    case 8:
        if (m->small[1] != 0 || m->small[2] != m->low_pass || m->small[3] != 0 ||
            m->small[4] != 0) {
            return ended(m, KN_E_DAMAGED);
        }
        read_from(m, t, PWR_MGMT_1, &m->small[1], 1);
        break;
    default:
        return ended(m, m->small[1] == CLOCK_GYRO_X ? KN_OK : KN_E_DAMAGED);
    }
    return KN_PENDING;
}

void kn_mpu6050_read(kn_mpu6050 *m, kn_transfer *t)
{
    read_from(m, t, ACCEL_XOUT_H, m->raw[m->finished ^ 1u], KN_MPU6050_BURST);
}

void kn_mpu6050_finish(kn_mpu6050 *m)
{
    m->finished ^= 1u;
}

static int16_t big_endian(const uint8_t *at)
{
    return (int16_t)(uint16_t)(((uint16_t)at[0] << 8) | at[1]);
}

int8_t kn_mpu6050_decode(const kn_mpu6050 *m, int32_t value[KN_MPU6050_VALUES])
{
    const uint8_t *raw = m->raw[m->finished];
    uint8_t any = 0;
    uint8_t all = 0xFF;
    for (uint8_t i = 0; i < KN_MPU6050_BURST; i++) {
        any |= raw[i];
        all &= raw[i];
    }
    if (any == 0 || all == 0xFF) {
        return KN_E_NO_ANSWER;
    }
    for (uint8_t i = 0; i < KN_MPU6050_VALUES; i++) {
        value[i] = big_endian(&raw[2u * i]);
    }
    return KN_OK;
}

static int32_t trim_of(const uint16_t trims[LAST_CODE], uint8_t code)
{
    uint16_t trim = 0;
    kn_flash_copy(&trim, &trims[code - 1u], sizeof trim);
    return (int32_t)trim;
}

/* Whether the change is the trim's within 14 %; without a trim, that of any chip. */
static uint8_t change_is_good(int32_t change, uint8_t code, const uint16_t trims[LAST_CODE])
{
    int32_t low = trim_of(trims, code != 0 ? code : 1);
    int32_t high = trim_of(trims, code != 0 ? code : LAST_CODE);
    return 100 * change >= 86 * low && 100 * change <= 114 * high;
}

/* raw[0] holds the reading without force, raw[1] the one with it, small[1..4] the trim. */
static uint8_t failed_axes(const kn_mpu6050 *m)
{
    const uint8_t *trim = &m->small[1];
    uint8_t failed = 0;
    for (uint8_t axis = 0; axis < 3; axis++) {
        const uint8_t *accel = &m->raw[1][2u * axis];
        const uint8_t *gyro = &m->raw[1][8u + 2u * axis];
        uint8_t accel_low = (uint8_t)(trim[3] >> (4u - 2u * axis)) & 0x03u;
        uint8_t accel_code = (uint8_t)(((trim[axis] >> 3) & 0x1Cu) | accel_low);
        int32_t accel_change = (int32_t)big_endian(accel) - big_endian(&m->raw[0][2u * axis]);
        int32_t gyro_change = (int32_t)big_endian(gyro) - big_endian(&m->raw[0][8u + 2u * axis]);
        if (axis == 1) {
            gyro_change = -gyro_change;
        }
        if (!change_is_good(accel_change, accel_code, accel_trim)) {
            failed = (uint8_t)(failed | 1u << axis);
        }
        if (!change_is_good(gyro_change, trim[axis] & 0x1Fu, gyro_trim)) {
            failed = (uint8_t)(failed | 8u << axis);
        }
    }
    return failed;
}

void kn_mpu6050_self_test_begin(kn_mpu6050 *m)
{
    m->step = 0;
    m->failed = 0;
}

int8_t kn_mpu6050_self_test(kn_mpu6050 *m, kn_transfer *t)
{
    m->wait_ms = 0;
    if (m->step != 0 && t->status != KN_OK) {
        return ended(m, t->status);
    }
    switch (m->step++) {
    case 0:
        write_settings(m, t, LOW_PASS_10_HZ, 0, ACCEL_8_G);
        break;
    case 1:
    case 4:
        wait(m, t, TEST_MS);
        break;
    case 2:
        read_from(m, t, ACCEL_XOUT_H, m->raw[0], KN_MPU6050_BURST);
        break;
    case 3:
        write_settings(m, t, LOW_PASS_10_HZ, GYRO_TEST, ACCEL_TEST);
        break;
    case 5:
        read_from(m, t, ACCEL_XOUT_H, m->raw[1], KN_MPU6050_BURST);
        break;
    case 6:
        write_settings(m, t, m->low_pass, 0, 0);
        break;
    case 7:
        wait(m, t, TEST_MS);
        break;
    case 8:
        read_from(m, t, SELF_TEST_X, &m->small[1], 4);
        break;
    default:
        m->failed = failed_axes(m);
        return ended(m, m->failed == 0 ? KN_OK : KN_E_VALUE);
    }
    return KN_PENDING;
}
