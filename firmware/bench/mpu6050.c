#include "mpu6050.h"

#include <math.h>
#include <string.h>

#include "chip.h"
#include "feed.h"

#define SELF_TEST_X 0x0D
#define SMPLRT_DIV 0x19
#define CONFIG 0x1A
#define GYRO_CONFIG 0x1B
#define ACCEL_CONFIG 0x1C
#define DATA 0x3B
#define DATA_END 0x49
#define PWR_MGMT_1 0x6B
#define WHO_AM_I 0x75
#define RESET 0x80
#define SLEEP 0x40
#define RESET_CYCLES (CYCLES_PER_US * 10000u)
#define COUNTS_PER_G 16384.0
#define COUNTS_PER_DPS 131.0
#define COUNTS_PER_C 340.0
#define C_AT_ZERO 36.53
#define TRIM_COUNTS_PER_G 4096.0 /* trims are stated at +-8 g and +-250 deg/s */
#define ACCEL_TRIM 15
#define GYRO_TRIM 12

static void begin(bool read);
static bool write(uint8_t value);
static uint8_t read(void);
static void power(void);

bus_device mpu6050_device = {
    .address = 0x68, .present = true, .begin = begin, .write = write, .read = read, .power = power};

static uint8_t registers[128];
static uint8_t pointer, identity = 0x68;
static bool pointer_next;
static double self_test = 1.0;
static feed_reader feed;
static double filtered[FEED_VALUES];
static bool settled;
static uint64_t reset_until;

static void reset(void)
{
    memset(registers, 0, sizeof registers);
    registers[PWR_MGMT_1] = SLEEP;
    /* Trim codes, five bits for each axis: gyro in 0D to 0F, upper accelerometer bits beside. */
    for (uint8_t axis = 0; axis < 3; axis++) {
        registers[SELF_TEST_X + axis] = (ACCEL_TRIM >> 2) << 5 | GYRO_TRIM;
        registers[SELF_TEST_X + 3] |= (uint8_t)((ACCEL_TRIM & 3) << (4 - 2 * axis));
    }
    settled = false;
}

static void power(void)
{
    reset();
    pointer = 0;
    reset_until = 0;
}

void mpu6050_identity(uint8_t who_am_i)
{
    identity = who_am_i;
}

void mpu6050_self_test(double scale)
{
    self_test = scale;
}

uint8_t mpu6050_register(uint8_t number)
{
    return number == WHO_AM_I ? identity : registers[number & 0x7F];
}

/* Bring the filters up to now. */
static void advance(void)
{
    static const double accel_hz[] = {260, 184, 94, 44, 21, 10, 5, 260};
    static const double gyro_hz[] = {256, 188, 98, 42, 20, 10, 5, 256};
    uint64_t update = CLOCK_HZ / 1000u * (1u + registers[SMPLRT_DIV]);
    uint64_t until = chip->cycle / update * update;
    uint8_t setting = registers[CONFIG] & 7;
    for (double s; (s = feed_take(&feed, until)) >= 0.0;) {
        for (unsigned i = 0; i < FEED_VALUES; i++) {
            double hz = i < 4 ? accel_hz[setting] : gyro_hz[setting];
            double share = settled && i != 3 ? 1.0 - exp(-6.283185307179586 * hz * s) : 1.0;
            filtered[i] += share * (feed.now[i] - filtered[i]);
        }
        settled = true;
    }
}

static double trim_g(void)
{
    return 4096.0 * 0.34 * pow(0.92 / 0.34, (ACCEL_TRIM - 1) / 30.0) / TRIM_COUNTS_PER_G;
}

static double trim_dps(unsigned axis)
{
    double counts = 25.0 * 131.0 * pow(1.046, GYRO_TRIM - 1);
    return (axis == 1 ? -counts : counts) / COUNTS_PER_DPS;
}

static void put(uint8_t at, double counts)
{
    double whole = floor(counts + 0.5);
    int32_t value = (int32_t)(whole > 32767.0 ? 32767.0 : whole < -32768.0 ? -32768.0 : whole);
    registers[at] = (uint8_t)((uint32_t)value >> 8);
    registers[at + 1] = (uint8_t)value;
}

/* The data registers stand still while they are read. */
static void latch(void)
{
    if (registers[PWR_MGMT_1] & SLEEP) {
        return;
    }
    advance();
    unsigned accel_range = registers[ACCEL_CONFIG] >> 3 & 3, gyro_range = registers[GYRO_CONFIG] >> 3 & 3;
    for (unsigned axis = 0; axis < 3; axis++) {
        double g = filtered[axis], dps = filtered[4 + axis];
        if (registers[ACCEL_CONFIG] & (0x80 >> axis)) {
            g += self_test * trim_g();
        }
        if (registers[GYRO_CONFIG] & (0x80 >> axis)) {
            dps += self_test * trim_dps(axis);
        }
        put((uint8_t)(DATA + 2 * axis), g * COUNTS_PER_G / (1u << accel_range));
        put((uint8_t)(DATA + 8 + 2 * axis), dps * COUNTS_PER_DPS / (1u << gyro_range));
    }
    put(DATA + 6, (filtered[3] - C_AT_ZERO) * COUNTS_PER_C);
}

static void begin(bool reading)
{
    pointer_next = !reading;
    if (reading && pointer >= DATA && pointer < DATA_END) {
        latch();
    }
}

static bool write(uint8_t value)
{
    if (pointer_next) {
        pointer = value & 0x7F;
        pointer_next = false;
        return true;
    }
    if (chip->cycle < reset_until) {
        return true; /* taken and lost: the chip is still starting */
    }
    bool data = pointer >= DATA && pointer < DATA_END;
    if (!data && pointer != WHO_AM_I && !(pointer >= SELF_TEST_X && pointer < SELF_TEST_X + 4)) {
        registers[pointer] = value;
        if (pointer == PWR_MGMT_1 && (value & RESET)) {
            reset();
            reset_until = chip->cycle + RESET_CYCLES;
        }
    }
    pointer = (pointer + 1) & 0x7F;
    return true;
}

static uint8_t read(void)
{
    uint8_t value = mpu6050_register(pointer);
    if (pointer == PWR_MGMT_1 && chip->cycle < reset_until) {
        value |= RESET;
    }
    pointer = (pointer + 1) & 0x7F;
    return value;
}
