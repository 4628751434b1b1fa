#include "adxl355.h"

#include <math.h>
#include <string.h>

#include "chip.h"
#include "feed.h"

#define DEVID_AD 0x00
#define DEVID_MST 0x01
#define PARTID 0x02
#define REVID 0x03
#define STATUS 0x04
#define TEMP2 0x06
#define XDATA3 0x08
#define DATA_END 0x11
#define FILTER 0x28
#define FIFO_SAMPLES 0x29
#define RANGE 0x2C
#define POWER_CTL 0x2D
#define SELF_TEST 0x2E
#define RESET 0x2F
#define RESET_CODE 0x52
#define STANDBY 1
#define COUNTS_PER_G 256000.0
#define TEMP_AT_25_C 1885.0
#define TEMP_PER_C (-9.05)
#define FASTEST_HZ 4000u

static void begin(bool read);
static bool write(uint8_t value);
static uint8_t read(void);
static void reset(void);

bus_device adxl355_device = {
    .address = 0x1D, .present = false, .begin = begin, .write = write, .read = read, .power = reset};

static uint8_t registers[64];
static uint8_t pointer, identity = 0xAD;
static bool pointer_next, settled;
static double self_test = 1.0;
static feed_reader feed;
static double filtered[FEED_VALUES];

static void reset(void)
{
    memset(registers, 0, sizeof registers);
    registers[DEVID_MST] = 0x1D;
    registers[PARTID] = 0xED;
    registers[REVID] = 0x01;
    registers[FIFO_SAMPLES] = 0x60;
    registers[RANGE] = 0x81;
    registers[POWER_CTL] = STANDBY;
    settled = false;
}

void adxl355_identity(uint8_t device_id)
{
    identity = device_id;
}

void adxl355_self_test(double scale)
{
    self_test = scale;
}

uint8_t adxl355_register(uint8_t number)
{
    return number == DEVID_AD ? identity : registers[number & 0x3F];
}

static void advance(void)
{
    uint64_t update = (uint64_t)(CLOCK_HZ / FASTEST_HZ) << (registers[FILTER] & 0x0F);
    double hz = (double)CLOCK_HZ / (double)update / 4.0;
    for (double s; (s = feed_take(&feed, chip->cycle / update * update)) >= 0.0;) {
        double share = settled ? 1.0 - exp(-6.283185307179586 * hz * s) : 1.0;
        for (unsigned i = 0; i < 3; i++) {
            filtered[i] += share * (feed.now[i] - filtered[i]);
        }
        filtered[3] = feed.now[3];
        settled = true;
    }
}

static void latch(void)
{
    static const double response_g[] = {0.3, 0.3, 1.5};
    if (registers[POWER_CTL] & STANDBY) {
        return;
    }
    advance();
    unsigned range = registers[RANGE] & 3;
    for (unsigned axis = 0; axis < 3; axis++) {
        double g = filtered[axis];
        if ((registers[SELF_TEST] & 3) == 3) {
            g += self_test * response_g[axis];
        }
        double whole = floor(g * COUNTS_PER_G / (1u << (range ? range - 1 : 0)) + 0.5);
        whole = whole > 524287.0 ? 524287.0 : whole < -524288.0 ? -524288.0 : whole;
        uint32_t bits = (uint32_t)((int32_t)whole * 16); /* 20 bits, left-justified in 24 */
        registers[XDATA3 + 3 * axis] = (uint8_t)(bits >> 16);
        registers[XDATA3 + 3 * axis + 1] = (uint8_t)(bits >> 8);
        registers[XDATA3 + 3 * axis + 2] = (uint8_t)bits;
    }
    uint32_t temp = (uint32_t)floor(TEMP_AT_25_C + TEMP_PER_C * (filtered[3] - 25.0) + 0.5);
    registers[TEMP2] = temp >> 8 & 0x0F;
    registers[TEMP2 + 1] = (uint8_t)temp;
    registers[STATUS] |= 1;
}

static void begin(bool reading)
{
    pointer_next = !reading;
    if (reading && pointer >= STATUS && pointer < DATA_END) {
        latch();
    }
}

static bool write(uint8_t value)
{
    if (pointer_next) {
        pointer = value & 0x3F;
        pointer_next = false;
        return true;
    }
    if (pointer == RESET && value == RESET_CODE) {
        reset();
    } else if (pointer >= 0x1E) {
        registers[pointer] = value;
    }
    pointer = (pointer + 1) & 0x3F;
    return true;
}

static uint8_t read(void)
{
    uint8_t value = adxl355_register(pointer);
    if (pointer >= XDATA3 && pointer < DATA_END) {
        registers[STATUS] &= 0xFE;
    }
    pointer = (pointer + 1) & 0x3F;
    return value;
}
