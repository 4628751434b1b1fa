#include "adxl355.h"

#include "errors.h"

enum {
    DEVID_AD = 0x00,
    DEVID_MST = 0x01,
    PARTID = 0x02,
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
    STANDBY = 0x01,
    MEASURE = 0x00,
    TEST_MODE = 0x01,
    TEST_FORCE = 0x03,
    LOW_PASS_31_HZ = 5,
    SLOWEST = 10
};

/* Where the self-test keeps what it reads. */
enum { WITHOUT_FORCE = 0, WITH_FORCE = KN_ADXL355_BURST };

/* Of the lowest byte of an axis: 0 in the chip. */
enum { UNUSED_BITS = 0x0F };

/* Turning on takes 10 ms, then 2^i ms are four readings of FILTER i. */
static const kn_step setup_steps[] KN_FLASH = {
    {KN_STEP_IDENTITY, DEVID_AD, 0xAD},
    {KN_STEP_IDENTITY, DEVID_MST, 0x1D},
    {KN_STEP_IDENTITY, PARTID, 0xED},
    {KN_STEP_WRITE, RESET, RESET_CODE},
    {KN_STEP_WAIT, 0, 20},
    {KN_STEP_WRITE, FILTER, KN_STEP_SETTING},
    {KN_STEP_WRITE, RANGE, RANGE_2_G},
    {KN_STEP_WRITE, POWER_CTL, MEASURE},
    {KN_STEP_SETTLE, 0, 10},
    {KN_STEP_VERIFY, FILTER, KN_STEP_SETTING},
    {KN_STEP_VERIFY, RANGE, RANGE_2_G},
    {KN_STEP_VERIFY, POWER_CTL, MEASURE},
    {KN_STEP_END, 0, 0},
};

static const kn_step self_test_steps[] KN_FLASH = {
    {KN_STEP_WRITE, POWER_CTL, STANDBY},
    {KN_STEP_WRITE, RANGE, RANGE_8_G},
    {KN_STEP_WRITE, FILTER, LOW_PASS_31_HZ},
    {KN_STEP_WRITE, SELF_TEST, TEST_MODE},
    {KN_STEP_WRITE, POWER_CTL, MEASURE},
    {KN_STEP_WAIT, 0, 120},
    {KN_STEP_READ + KN_ADXL355_BURST, TEMP2, WITHOUT_FORCE},
    {KN_STEP_WRITE, SELF_TEST, TEST_FORCE},
    {KN_STEP_WAIT, 0, 120},
    {KN_STEP_READ + KN_ADXL355_BURST, TEMP2, WITH_FORCE},
    {KN_STEP_WRITE, POWER_CTL, STANDBY},
    {KN_STEP_WRITE, SELF_TEST, 0},
    {KN_STEP_WRITE, RANGE, RANGE_2_G},
    {KN_STEP_WRITE, FILTER, KN_STEP_SETTING},
    {KN_STEP_WRITE, POWER_CTL, MEASURE},
    {KN_STEP_SETTLE, 0, 10},
    {KN_STEP_END, 0, 0},
};

/* 64000 counts per g at +-8 g, five bits dropped. */
enum { PER_G_SHIFTED = 64000 / 32 };

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

void kn_adxl355_reset(kn_adxl355 *a)
{
    kn_procedure_begin(&a->procedure);
}

int8_t kn_adxl355_setup(kn_adxl355 *a, uint16_t raw_rate_hz, kn_transfer *t)
{
    a->filter = filter_for(raw_rate_hz);
    return kn_procedure_step(&a->procedure, setup_steps, KN_ADXL355_ADDRESS, a->filter, a->memory,
                             t);
}

void kn_adxl355_read(kn_adxl355 *a, kn_transfer *t)
{
    a->first = TEMP2;
    kn_registers_read(t, KN_ADXL355_ADDRESS, &a->first,
                      &a->memory[a->finished ? 0 : KN_ADXL355_BURST], KN_ADXL355_BURST);
}

void kn_adxl355_finish(kn_adxl355 *a)
{
    a->finished = !a->finished;
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
    const uint8_t *raw = &a->memory[a->finished ? KN_ADXL355_BURST : 0];
    uint8_t any = 0;
    for (uint8_t i = 0; i < KN_ADXL355_BURST; i++) {
        any |= raw[i];
    }
    if (any == 0 || (raw[KN_ADXL355_BURST - 1] & UNUSED_BITS) == UNUSED_BITS) {
        return KN_E_NO_ANSWER;
    }
    for (uint8_t axis = 0; axis < 3; axis++) {
        value[axis] = axis_of(&raw[2u + 3u * axis]);
    }
    value[3] = (int32_t)(((uint32_t)(raw[0] & 0x0Fu) << 8) | raw[1]);
    return KN_OK;
}

static uint8_t fails(const kn_adxl355 *a)
{
    for (uint8_t axis = 0; axis < 3; axis++) {
        uint8_t at = (uint8_t)(2u + 3u * axis);
        int32_t counts =
            axis_of(&a->memory[WITH_FORCE + at]) - axis_of(&a->memory[WITHOUT_FORCE + at]);
        int16_t change = (int16_t)(counts >> 5); /* 20 bits and a sign are 16 now */
        int16_t least = axis == 2 ? PER_G_SHIFTED / 2 : PER_G_SHIFTED / 10;
        /* Both ratios of most to least are 6. */
        if (change < least || change > 6 * least) {
            return 1;
        }
    }
    return 0;
}

void kn_adxl355_self_test_begin(kn_adxl355 *a)
{
    kn_procedure_begin(&a->procedure);
}

int8_t kn_adxl355_self_test(kn_adxl355 *a, kn_transfer *t)
{
    int8_t result = kn_procedure_step(&a->procedure, self_test_steps, KN_ADXL355_ADDRESS, a->filter,
                                      a->memory, t);
    if (result == KN_OK) {
        a->failed = fails(a);
        result = a->failed == 0 ? KN_OK : KN_E_VALUE;
    }
    return result;
}
