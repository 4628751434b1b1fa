#include "watch.h"

#include "errors.h"
#include "inputs.h"
#include "once.h"
#include "pod.h"

/* What runs, step by step. */
enum { NOTHING, SET_UP, PROBE, SELF_TEST };

#define SECOND_MS 1000
/* A caliper sends some packets in this time, and every part on the bus has answered or not. */
#define SETTLE_MS 400
#define NO_ROWS 0

static const uint8_t bus_parts = KN_BIT(KN_PART_MPU6050) | KN_BIT(KN_PART_ADXL355);

void kn_watch_start(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    w->to_set_up = bus_parts;
    w->look_due = 1;
    w->second_ms = SECOND_MS;
    w->settle_ms = SETTLE_MS;
}

uint8_t kn_watch_looked(const kn_pod *pod)
{
    return pod->watch.settle_ms == 0;
}

static uint8_t parts_in_state(const kn_watch *w, uint8_t state)
{
    uint8_t parts = 0;
    for (uint8_t part = 0; part < KN_BUS_PARTS; part++) {
        if (w->state[part] == state) {
            parts = (uint8_t)(parts | kn_bit(part));
        }
    }
    return parts;
}

KN_ONCE uint8_t kn_watch_present(const kn_pod *pod)
{
    return (uint8_t)((bus_parts & ~parts_in_state(&pod->watch, KN_PART_AWAY)) | pod->watch.linear);
}

uint8_t kn_watch_parts_to_read(const kn_pod *pod)
{
    const kn_watch *w = &pod->watch;
    uint8_t there = (uint8_t)(parts_in_state(w, KN_PART_READY) |
                              (w->linear & KN_BIT(KN_PART_POTENTIOMETER)));
    return there & pod->table.parts;
}

/* The set of the part whose set-up runs, if one does. */
static uint8_t part_set_up_now(const kn_watch *w)
{
    uint8_t bit = kn_bit(w->part);
    return (uint8_t)(w->procedure == SET_UP ? bit : 0);
}

/* Faults that follow from which parts are there. */
void kn_watch_show_faults(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    uint8_t missing = NO_ROWS;
    uint8_t identity = NO_ROWS;
    uint8_t present = kn_watch_present(pod);
    for (uint8_t part = 0; part < KN_PARTS; part++) {
        uint8_t rows = kn_table_rows_of(&pod->table, part);
        if (!(present & kn_bit(part))) {
            missing = (uint8_t)(missing | rows);
        }
        if (part < KN_BUS_PARTS && w->state[part] == KN_PART_AWAY &&
            w->error[part] == KN_E_IDENTITY) {
            identity = (uint8_t)(identity | (rows ? rows : KN_POD_PLACE));
        }
    }
    /* With a part but no rows the table is about to follow. */
    if (pod->table.shape.rows == 0 && present == 0 && kn_watch_looked(pod)) {
        missing = (uint8_t)(missing | KN_POD_PLACE);
    }
    kn_faults_set(&pod->faults, KN_FAULT_SENSOR_MISSING, missing);
    kn_faults_set(&pod->faults, KN_FAULT_SENSOR_IDENTITY, identity);
}

void kn_watch_lose(kn_pod *pod, uint8_t part, int8_t error)
{
    kn_watch *w = &pod->watch;
    w->error[part] = error;
    w->state[part] = KN_PART_AWAY;
    pod->judge.failures[part] = 0;
    w->to_set_up = (uint8_t)(w->to_set_up | kn_bit(part));
    pod->readings.parts = kn_watch_parts_to_read(pod);
    kn_faults_clear(&pod->faults, KN_FAULT_SENSOR_STUCK, kn_table_rows_of(&pod->table, part));
}

/* Whether an error is the bus's own and not one part's. */
static uint8_t is_of_bus(int8_t error)
{
    return error == KN_E_BUS || error == KN_E_TIMEOUT;
}

void kn_watch_bus_error(kn_pod *pod, int8_t error)
{
    pod->bus_errors++;
    kn_faults_happened(&pod->faults, KN_PASSING_BUS);
    if (is_of_bus(error)) {
        pod->watch.held = 1;
    }
}

static void count_if_of_bus(kn_pod *pod, int8_t error)
{
    if (is_of_bus(error)) {
        kn_watch_bus_error(pod, error);
    }
}

static void end_set_up(kn_pod *pod, int8_t result)
{
    kn_watch *w = &pod->watch;
    uint8_t part = w->part;
    w->error[part] = result;
    pod->judge.failures[part] = 0;
    if (result != KN_OK) {
        w->state[part] = KN_PART_AWAY;
    } else {
        /* Asked for again meanwhile: the rate has changed under way. */
        w->state[part] = w->to_set_up & kn_bit(part) ? KN_PART_CHANGING : KN_PART_READY;
    }
    count_if_of_bus(pod, result);
    pod->readings.parts = kn_watch_parts_to_read(pod);
}

static void end_probe(kn_pod *pod, int8_t result)
{
    int32_t values[KN_PART_VALUES];
    if (result == KN_OK) {
        kn_sensors_finish(&pod->sensors, pod->watch.part);
        result = kn_sensors_decode(&pod->sensors, pod->watch.part, values);
    }
    count_if_of_bus(pod, result);
    if (result != KN_OK) {
        kn_watch_lose(pod, pod->watch.part, result);
    }
}

static void end_self_test(kn_pod *pod, int8_t result)
{
    kn_watch *w = &pod->watch;
    uint8_t part = w->part;
    uint8_t bad = result != KN_OK;
    w->verdict[part] = !bad                      ? KN_FAULT_NONE
                       : result == KN_E_VALUE    ? KN_FAULT_SELF_TEST
                       : result == KN_E_IDENTITY ? KN_FAULT_SENSOR_IDENTITY
                                                 : KN_FAULT_SENSOR_MISSING;
    uint8_t rows = kn_table_rows_of(&pod->table, part);
    kn_faults_clear(&pod->faults, KN_FAULT_SELF_TEST, rows);
    if (result == KN_E_VALUE) {
        uint8_t numbers = kn_sensors_failed(&pod->sensors, part);
        rows = kn_table_rows_with(&pod->table, part, numbers);
        kn_faults_raise(&pod->faults, KN_FAULT_SELF_TEST, rows);
    }
    count_if_of_bus(pod, result);
    if (bad && result != KN_E_VALUE) {
        kn_watch_lose(pod, part, result);
    }
}

static void end_procedure(kn_pod *pod, int8_t result)
{
    uint8_t ended = pod->watch.procedure;
    pod->watch.procedure = NOTHING;
    if (ended == SET_UP) {
        end_set_up(pod, result);
    } else if (ended == PROBE) {
        end_probe(pod, result);
    } else {
        end_self_test(pod, result);
    }
    kn_watch_show_faults(pod);
}

static void step_procedure(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    kn_transfer *t = &pod->readings.lent;
    if (w->procedure == PROBE) {
        end_procedure(pod, t->status);
        return;
    }
    int8_t result = w->procedure == SET_UP
                        ? kn_sensors_setup(&pod->sensors, w->part, pod->rate_hz, t)
                        : kn_sensors_self_test(&pod->sensors, w->part, t);
    if (result != KN_PENDING) {
        end_procedure(pod, result);
        return;
    }
    w->wait_ms = kn_sensors_wait_ms(&pod->sensors, w->part);
    w->launch = t->address != 0;
}

/* The first part of a set whose procedure begins now. */
static uint8_t take_first(uint8_t *set)
{
    uint8_t part = 0;
    while (!(*set & kn_bit(part))) {
        part++;
    }
    *set = (uint8_t)(*set & ~kn_bit(part));
    return part;
}

static void begin_procedure(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    if (w->to_set_up) {
        if (w->held) {
            /* Where the bus is held, nobody can be found before it is free. */
            if (kn_readings_free_bus(&pod->readings) == KN_E_BUSY) {
                return;
            }
            w->held = 0;
        }
        w->part = take_first(&w->to_set_up);
        w->procedure = SET_UP;
        kn_sensors_reset(&pod->sensors, w->part);
        step_procedure(pod);
    } else if (w->to_test) {
        w->part = take_first(&w->to_test);
        w->procedure = SELF_TEST;
        kn_sensors_self_test_begin(&pod->sensors, w->part);
        step_procedure(pod);
    } else if (w->to_probe) {
        w->part = take_first(&w->to_probe);
        if (w->state[w->part] != KN_PART_READY || pod->streaming) {
            return;
        }
        w->procedure = PROBE;
        kn_sensors_read(&pod->sensors, w->part, &pod->readings.lent);
        w->wait_ms = 0;
        w->launch = 1;
    }
}

/* Once a second. */
static void look(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    kn_inputs_judge_supply(pod);
    w->look_due = 1;
    uint8_t under_way = part_set_up_now(w);
    w->to_set_up = (uint8_t)(w->to_set_up | (parts_in_state(w, KN_PART_AWAY) & ~under_way));
    if (!pod->streaming) {
        w->to_probe = parts_in_state(w, KN_PART_READY);
    }
}

void kn_watch_pass(kn_pod *pod, uint16_t elapsed_ms)
{
    kn_watch *w = &pod->watch;
    if (!w->launch && !kn_readings_lending(&pod->readings)) {
        w->wait_ms = (uint16_t)(w->wait_ms > elapsed_ms ? w->wait_ms - elapsed_ms : 0);
    }
    if (w->settle_ms > 0) {
        w->settle_ms = (uint16_t)(w->settle_ms > elapsed_ms ? w->settle_ms - elapsed_ms : 0);
        /* The first look is done when the bus has been searched, however long that takes. */
        if (w->settle_ms == 0 && (w->to_set_up || w->procedure == SET_UP)) {
            w->settle_ms = 1;
        }
        kn_watch_show_faults(pod);
    }
    kn_inputs_pass(pod);
    if (w->second_ms > elapsed_ms) {
        w->second_ms = (uint16_t)(w->second_ms - elapsed_ms);
        return;
    }
    w->second_ms = SECOND_MS;
    look(pod);
}

void kn_watch_step(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    if (kn_readings_rescue(&pod->readings)) {
        kn_faults_happened(&pod->faults, KN_PASSING_BUS);
    }
    if (w->look_due && kn_inputs_look(pod)) {
        w->look_due = 0;
    }
    if (w->launch) {
        w->launch = kn_readings_lend(&pod->readings) != KN_OK;
        return;
    }
    if (kn_readings_lending(&pod->readings) || w->wait_ms > 0) {
        return;
    }
    if (w->procedure == NOTHING) {
        begin_procedure(pod);
    } else {
        step_procedure(pod);
    }
}

void kn_watch_rate_changed(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    uint8_t under_way = part_set_up_now(w);
    for (uint8_t part = 0; part < KN_BUS_PARTS; part++) {
        if (under_way & kn_bit(part)) {
            w->to_set_up = (uint8_t)(w->to_set_up | under_way);
        } else if (w->state[part] == KN_PART_READY) {
            w->state[part] = KN_PART_CHANGING;
            w->to_set_up = (uint8_t)(w->to_set_up | kn_bit(part));
        }
    }
    w->to_probe = 0;
}

uint8_t kn_watch_changing(const kn_pod *pod)
{
    return parts_in_state(&pod->watch, KN_PART_CHANGING) != 0;
}

void kn_watch_self_test(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    for (uint8_t part = 0; part < KN_BUS_PARTS; part++) {
        w->verdict[part] = KN_FAULT_SENSOR_MISSING;
    }
    w->to_test = parts_in_state(w, KN_PART_READY);
}

KN_ONCE uint8_t kn_watch_testing(const kn_pod *pod)
{
    return pod->watch.to_test != 0 || pod->watch.procedure == SELF_TEST;
}

uint8_t kn_watch_verdict(const kn_pod *pod, uint8_t row)
{
    uint8_t part = kn_table_part(&pod->table, row);
    if (part < KN_BUS_PARTS) {
        uint8_t verdict = pod->watch.verdict[part];
        /* Of a part that failed only the rows with the bad axes have. */
        uint8_t failed = pod->faults.standing[KN_FAULT_SELF_TEST] & kn_bit(row);
        return verdict == KN_FAULT_SELF_TEST && !failed ? KN_FAULT_NONE : verdict;
    }
    return pod->watch.linear & kn_bit(part) ? KN_FAULT_NONE : KN_FAULT_SENSOR_MISSING;
}
