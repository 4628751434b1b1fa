#include "table.h"

#include "adxl355.h"
#include "caliper.h"
#include "flash.h"
#include "mpu6050.h"
#include "once.h"
#include "potentiometer.h"

/* Where a row comes from: the part, and where its numbers begin among the part's. */
typedef struct source {
    uint8_t part;
    uint8_t first;
} source;

enum {
    ADXL355_ACCELEROMETER,
    MPU6050_ACCELEROMETER,
    MPU6050_GYRO,
    ADXL355_TEMPERATURE,
    MPU6050_TEMPERATURE,
    POTENTIOMETER,
    CALIPER,
    SOURCES
};

static const source sources[SOURCES] KN_FLASH = {
    [ADXL355_ACCELEROMETER] = {KN_PART_ADXL355, 0},
    [MPU6050_ACCELEROMETER] = {KN_PART_MPU6050, 0},
    [MPU6050_GYRO] = {KN_PART_MPU6050, 4},
    [ADXL355_TEMPERATURE] = {KN_PART_ADXL355, 3},
    [MPU6050_TEMPERATURE] = {KN_PART_MPU6050, 3},
    [POTENTIOMETER] = {KN_PART_POTENTIOMETER, 0},
    [CALIPER] = {KN_PART_CALIPER, 0},
};

KN_ONCE uint8_t kn_bit(uint8_t part)
{
    return KN_BIT(part);
}

static const kn_channel *channel_of(uint8_t from)
{
    switch (from) {
    case ADXL355_ACCELEROMETER:
        return &kn_adxl355_channels[0];
    case MPU6050_ACCELEROMETER:
        return &kn_mpu6050_channels[0];
    case MPU6050_GYRO:
        return &kn_mpu6050_channels[1];
    case ADXL355_TEMPERATURE:
        return &kn_adxl355_channels[1];
    case MPU6050_TEMPERATURE:
        return &kn_mpu6050_channels[2];
    case POTENTIOMETER:
        return &kn_potentiometer_channel;
    default:
        return &kn_caliper_channel;
    }
}

/* With the ADXL355 there, the MPU-6050's accelerometer and temperature are left out. */
static uint8_t wanted(uint8_t from, uint8_t parts)
{
    if ((from == MPU6050_ACCELEROMETER || from == MPU6050_TEMPERATURE) &&
        (parts & KN_BIT(KN_PART_ADXL355))) {
        return 0;
    }
    return (parts & kn_bit(kn_flash_byte(&sources[from].part))) != 0;
}

void kn_table_build(kn_table *t, uint8_t parts)
{
    t->parts = parts;
    t->shape.rows = 0;
    for (uint8_t from = 0; from < SOURCES; from++) {
        if (!wanted(from, parts)) {
            continue;
        }
        uint8_t row = t->shape.rows++;
        kn_channel channel;
        t->source[row] = from;
        kn_table_channel(t, row, &channel);
        t->shape.axes[row] = channel.axes;
        t->shape.bits[row] = channel.bits;
    }
}

void kn_table_channel(const kn_table *t, uint8_t row, kn_channel *into)
{
    kn_flash_copy(into, channel_of(t->source[row]), sizeof *into);
}

uint8_t kn_table_part(const kn_table *t, uint8_t row)
{
    return kn_flash_byte(&sources[t->source[row]].part);
}

KN_ONCE uint8_t kn_table_rows_with(const kn_table *t, uint8_t part, uint8_t firsts)
{
    uint8_t rows = 0;
    for (uint8_t row = 0; row < t->shape.rows; row++) {
        uint8_t first = kn_flash_byte(&sources[t->source[row]].first);
        if (kn_table_part(t, row) == part && (firsts & kn_bit(first))) {
            rows = (uint8_t)(rows | kn_bit(row));
        }
    }
    return rows;
}

uint8_t kn_table_rows_of(const kn_table *t, uint8_t part)
{
    return kn_table_rows_with(t, part, 0xFF);
}

void kn_table_place(const kn_table *t, uint8_t part, const int32_t *read, int32_t *values)
{
    for (uint8_t row = 0; row < t->shape.rows; row++) {
        uint8_t axes = t->shape.axes[row];
        if (kn_table_part(t, row) == part) {
            const int32_t *from = read + kn_flash_byte(&sources[t->source[row]].first);
            for (uint8_t axis = 0; axis < axes; axis++) {
                values[axis] = from[axis];
            }
        }
        values += axes;
    }
}
