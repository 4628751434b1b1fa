#include "adxl355.h"

enum {
    DEVID_AD = 0x00,
    TEMP2 = 0x06,
    FILTER = 0x28,
    RANGE = 0x2C,
    POWER_CTL = 0x2D,
    SELF_TEST = 0x2E,
    RESET = 0x2F
};

enum {
    RESET_CODE = 0x52,
    /* Bit 7 (bus speed) as after reset. */
    RANGE_2_G = 0x81,
    RANGE_8_G = 0x83,
    RANGE_MASK = 0x03,
    STANDBY = 0x01,
    MEASURE = 0x00,
    TEST_MODE = 0x01,
    TEST_FORCE = 0x03,
    LOW_PASS_31_HZ = 5
};

enum { RESET_MS = 20, TEST_MS = 120, READY = 255 };

enum { SLOWEST = 10 };

static const int32_t COUNTS_PER_G_AT_8_G = 64000;

const kn_channel kn_adxl355_channels[KN_ADXL355_CHANNELS] KN_FLASH = {
    {.kind = KN_KIND_ACCELEROMETER,
     .sensor = KN_SENSOR_ADXL355,
     .axes = 3,
     .bits = 20,
     .scale = 1.0f / 256000.0f,
     .offset = 0.0f,
     .full_scale = 2.048f,
     .noise_density = 25e-6f},
    {.kind = KN_KIND_TEMPERATURE,
     .sensor = KN_SENSOR_ADXL355,
     .axes = 1,
     .bits = 13,
     .scale = -1.0f / 9.05f,
     .offset = 25.0f + 1885.0f / 9.05f,
     .full_scale = 125.0f,
     .noise_density = 0.0f},
};

/* Output rate of FILTER i is 4000 Hz / 2^i. */
static uint8_t filter_for(uint16_t raw_rate_hz)
{
    uint8_t filter = 0;
    while (filter < SLOWEST && (4000u >> (filter + 1u)) >= raw_rate_hz) {
        filter++;
    }
    return filter;
}

static void write_one(kn_adxl355 *a, kn_transfer *t, uint8_t at, uint8_t value)
{
    a->small[0] = at;
    a->small[1] = value;
    kn_registers_write(t, KN_ADXL355_ADDRESS, a->small, 2);
}

static void read_from(kn_adxl355 *a, kn_transfer *t, uint8_t first, uint8_t *into, uint8_t length)
{
    a->small[0] = first;
    kn_registers_read(t, KN_ADXL355_ADDRESS, a->small, into, length);
}

static void wait(kn_adxl355 *a, kn_transfer *t, uint16_t wait_ms)
{
    kn_registers_wait(t);
    a->wait_ms = wait_ms;
}

void kn_adxl355_reset(kn_adxl355 *a)
{
    a->step = 0;
    a->wait_ms = 0;
    a->failed = 0;
    a->finished = 0;
    for (uint8_t i = 0; i < KN_ADXL355_BURST; i++) {
        a->raw[0][i] = 0;
        a->raw[1][i] = 0;
    }
}

static int8_t ended(kn_adxl355 *a, int8_t result)
{
    a->step = result < 0 ? 0 : READY;
    return result;
}

int8_t kn_adxl355_setup(kn_adxl355 *a, uint16_t raw_rate_hz, kn_transfer *t)
{
    uint8_t *answer = a->raw[0];
    a->wait_ms = 0;
    if (a->step == READY) {
        return KN_OK;
    }
    if (a->step != 0 && t->status != KN_OK) {
        return ended(a, t->status);
    }
    switch (a->step++) {
    case 0:
        read_from(a, t, DEVID_AD, answer, 3);
        break;
    case 1:
        if (answer[0] != 0xAD || answer[1] != 0x1D || answer[2] != 0xED) {
            return ended(a, KN_E_IDENTITY);
        }
        write_one(a, t, RESET, RESET_CODE);
        break;
    case 2:
        wait(a, t, RESET_MS);
        break;
    case 3:
        a->filter = filter_for(raw_rate_hz);
        write_one(a, t, FILTER, a->filter);
        break;
    case 4:
        write_one(a, t, RANGE, RANGE_2_G);
        break;
    case 5:
        write_one(a, t, POWER_CTL, MEASURE);
        break;
    case 6:
        /* Turning on takes 10 ms, then 2^i ms are four readings of FILTER i. */
        wait(a, t, (uint16_t)(10u + (1u << a->filter)));
        break;
    case 7:
        read_from(a, t, FILTER, answer, SELF_TEST - FILTER);
        break;
    default:
        if (answer[0] != a->filter || (answer[RANGE - FILTER] & RANGE_MASK) != 1 ||
            answer[POWER_CTL - FILTER] != MEASURE) {
            return ended(a, KN_E_DAMAGED);
        }
        return ended(a, KN_OK);
    }
    return KN_PENDING;
}

void kn_adxl355_read(kn_adxl355 *a, kn_transfer *t)
{
    read_from(a, t, TEMP2, a->raw[a->finished ^ 1u], KN_ADXL355_BURST);
}

void kn_adxl355_finish(kn_adxl355 *a)
{
    a->finished ^= 1u;
}

/* 20 bits, left-justified in three bytes, two's complement. */
static int32_t axis_of(const uint8_t *at)
{
    int32_t value =
        (int32_t)(((uint32_t)at[0] << 12) | ((uint32_t)at[1] << 4) | ((uint32_t)at[2] >> 4));
    return (at[0] & 0x80u) != 0 ? value - 0x100000 : value;
}

int8_t kn_adxl355_decode(const kn_adxl355 *a, int32_t value[KN_ADXL355_VALUES])
{
    const uint8_t *raw = a->raw[a->finished];
    uint8_t any = 0;
    uint8_t all = 0xFF;
    for (uint8_t i = 0; i < KN_ADXL355_BURST; i++) {
        any |= raw[i];
        all &= raw[i];
    }
    if (any == 0 || all == 0xFF) {
        return KN_E_NO_ANSWER;
    }
    for (uint8_t axis = 0; axis < 3; axis++) {
        value[axis] = axis_of(&raw[2u + 3u * axis]);
    }
    value[3] = (int32_t)(((uint32_t)(raw[0] & 0x0Fu) << 8) | raw[1]);
    return KN_OK;
}

/* raw[0] holds the reading without force, raw[1] the one with it. */
static uint8_t failed_axes(const kn_adxl355 *a)
{
    uint8_t failed = 0;
    for (uint8_t axis = 0; axis < 3; axis++) {
        uint8_t at = (uint8_t)(2u + 3u * axis);
        int32_t change = axis_of(&a->raw[1][at]) - axis_of(&a->raw[0][at]);
        int32_t least = axis == 2 ? COUNTS_PER_G_AT_8_G / 2 : COUNTS_PER_G_AT_8_G / 10;
        /* Both ratios of most to least are 6. */
        if (change < least || change > 6 * least) {
            failed = (uint8_t)(failed | 1u << axis);
        }
    }
    return failed;
}

void kn_adxl355_self_test_begin(kn_adxl355 *a)
{
    a->step = 0;
    a->failed = 0;
}

int8_t kn_adxl355_self_test(kn_adxl355 *a, kn_transfer *t)
{
    a->wait_ms = 0;
    if (a->step != 0 && t->status != KN_OK) {
        return ended(a, t->status);
    }
    switch (a->step++) {
    case 0:
        write_one(a, t, POWER_CTL, STANDBY);
        break;
    case 1:
        write_one(a, t, RANGE, RANGE_8_G);
        break;
    case 2:
        write_one(a, t, FILTER, LOW_PASS_31_HZ);
        break;
    case 3:
        write_one(a, t, SELF_TEST, TEST_MODE);
        break;
    case 4:
        write_one(a, t, POWER_CTL, MEASURE);
        break;
    case 5:
    case 8:
        wait(a, t, TEST_MS);
        break;
    case 6:
        read_from(a, t, TEMP2, a->raw[0], KN_ADXL355_BURST);
        break;
    case 7:
        write_one(a, t, SELF_TEST, TEST_FORCE);
        break;
    case 9:
        read_from(a, t, TEMP2, a->raw[1], KN_ADXL355_BURST);
        break;
    case 10:
        write_one(a, t, POWER_CTL, STANDBY);
        break;
    case 11:
        write_one(a, t, SELF_TEST, 0);
        break;
    case 12:
        write_one(a, t, RANGE, RANGE_2_G);
        break;
    case 13:
        write_one(a, t, FILTER, a->filter);
        break;
    case 14:
        write_one(a, t, POWER_CTL, MEASURE);
        break;
    case 15:
        wait(a, t, (uint16_t)(10u + (1u << a->filter)));
        break;
    default:
        a->failed = failed_axes(a);
        return ended(a, a->failed == 0 ? KN_OK : KN_E_VALUE);
    }
    return KN_PENDING;
}
