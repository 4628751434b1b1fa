#include "judge.h"

#include "errors.h"
#include "inputs.h"
#include "pod.h"

#define LOST_AFTER_FAILURES 3
#define NO_ROWS 0

void kn_judge_begin(kn_pod *pod)
{
    kn_judge *j = &pod->judge;
    j->same = 0;
    for (uint8_t part = 0; part < KN_BUS_PARTS; part++) {
        j->failures[part] = 0;
    }
    for (uint8_t row = 0; row < KN_RANGE_ROWS; row++) {
        j->at_end[row] = 0;
    }
}

/* An accelerometer always has noise: the same numbers for a second are no measurement. */
static void watch_accelerometer(kn_pod *pod, uint8_t rows, const int32_t *values)
{
    kn_judge *j = &pod->judge;
    uint8_t accelerometer = KN_BIT(0);
    if (!(rows & accelerometer) || kn_table_part(&pod->table, 0) >= KN_BUS_PARTS) {
        return;
    }
    uint8_t changed = 0;
    for (uint8_t axis = 0; axis < 3; axis++) {
        uint16_t low = (uint16_t)values[axis];
        changed = (uint8_t)(changed | (low != j->last[axis]));
        j->last[axis] = low;
    }
    if (changed) {
        j->same = 0;
        kn_faults_set(&pod->faults, KN_FAULT_SENSOR_STUCK, NO_ROWS);
    } else if (j->same < pod->rate_hz) {
        j->same++;
    } else {
        kn_faults_set(&pod->faults, KN_FAULT_SENSOR_STUCK, accelerometer);
    }
}

/* Readings at the end of the range count up, others down: a knock, or a turn in the hand, comes to
 * no second. */
static void weigh_range(kn_pod *pod, uint8_t row, uint8_t at_end)
{
    uint16_t *weight = &pod->judge.at_end[row];
    if (at_end) {
        if (*weight < pod->rate_hz) {
            ++*weight;
        } else {
            kn_faults_raise(&pod->faults, KN_FAULT_SENSOR_RANGE, kn_bit(row));
        }
    } else if (*weight > 0) {
        --*weight;
    } else {
        kn_faults_clear(&pod->faults, KN_FAULT_SENSOR_RANGE, kn_bit(row));
    }
}

/* Accelerometer and gyro, the rows of three axes, which come first. */
static void watch_range(kn_pod *pod, uint8_t rows, const int32_t *values)
{
    for (uint8_t row = 0; row < pod->table.shape.rows && pod->table.shape.axes[row] == 3; row++) {
        uint32_t end = ((uint32_t)1 << (pod->table.shape.bits[row] - 1)) - 1;
        uint8_t at_end = 0;
        for (uint8_t axis = 0; axis < 3; axis++) {
            int32_t value = *values++;
            /* The lowest number is one further from 0 than the highest. */
            at_end = (uint8_t)(at_end | ((uint32_t)(value < 0 ? ~value : value) >= end));
        }
        if (rows & kn_bit(row)) {
            weigh_range(pod, row, at_end);
        }
    }
}

/* Whether a part on the bus has given a good reading. */
static uint8_t judge_part(kn_pod *pod, const kn_reading *reading, uint8_t part, int32_t *read)
{
    kn_judge *j = &pod->judge;
    int8_t result = reading->status[part];
    if (result != KN_OK) {
        kn_watch_bus_error(pod, result);
    } else {
        result = kn_sensors_decode(&pod->sensors, part, read);
    }
    if (result == KN_OK) {
        j->failures[part] = 0;
        return 1;
    }
    j->failures[part]++;
    if (pod->watch.state[part] == KN_PART_READY && j->failures[part] >= LOST_AFTER_FAILURES) {
        kn_watch_lose(pod, part, result);
        kn_watch_show_faults(pod);
    }
    return 0;
}

uint8_t kn_judge_reading(kn_pod *pod, const kn_reading *reading, int32_t *values)
{
    int32_t read[KN_PART_VALUES];
    uint8_t rows = NO_ROWS;
    for (uint8_t part = 0; part < KN_PARTS; part++) {
        uint8_t good = 0;
        uint8_t tried = (reading->tried & kn_bit(part)) != 0;
        if (part < KN_BUS_PARTS) {
            good = (uint8_t)(tried && judge_part(pod, reading, part, read));
        } else if (part == KN_PART_POTENTIOMETER) {
            good = tried && reading->status[part] == KN_OK;
            read[0] = reading->analog;
        } else if (pod->table.parts & kn_bit(part)) {
            good = kn_inputs_take_caliper(pod, &read[0]);
        }
        if (good) {
            kn_table_place(&pod->table, part, read, values);
            rows = (uint8_t)(rows | kn_table_rows_of(&pod->table, part));
        }
    }
    watch_accelerometer(pod, rows, values);
    watch_range(pod, rows, values);
    return rows;
}
