#include "inputs.h"

#include <stddef.h>

#include "access.h"
#include "errors.h"
#include "pod.h"
#include "potentiometer.h"

/* Analog inputs are looked at where no reading is due for so long. */
#define ANALOG_MS 2
#define SUPPLY_HYSTERESIS_MV 100

uint8_t kn_inputs_look(kn_pod *pod)
{
    kn_watch *w = &pod->watch;
    const kn_port *port = pod->port;
    uint16_t ticks = (uint16_t)(ANALOG_MS * pod->ticks_per_ms);
    if (!kn_readings_idle_for(&pod->readings, ticks)) {
        return 0;
    }
    uint8_t connected = port->analog_connected(port->self, KN_POTENTIOMETER_INPUT);
    uint8_t bit = KN_BIT(KN_PART_POTENTIOMETER);
    w->linear = (uint8_t)(connected ? w->linear | bit : w->linear & ~bit);
    pod->readings.parts = kn_watch_parts_to_read(pod);
    kn_watch_show_faults(pod);
    if (port->supply_start != NULL && kn_readings_idle_for(&pod->readings, ticks)) {
        (void)port->supply_start(port->self);
    }
    return 1;
}

uint8_t kn_inputs_take_caliper(kn_pod *pod, int32_t *value)
{
    kn_watch *w = &pod->watch;
    uint8_t bit = KN_BIT(KN_PART_CALIPER);
    uint8_t before = w->linear;
    uint32_t now = kn_now(pod->port);
    uint8_t there = kn_caliper_take(&pod->sensors.caliper, now, value) == KN_OK;
    w->linear = (uint8_t)(there ? w->linear | bit : w->linear & ~bit);
    if (w->linear != before) {
        kn_watch_show_faults(pod);
    }
    return there;
}

void kn_inputs_judge_supply(kn_pod *pod)
{
    uint8_t state = kn_lock(pod->port);
    uint16_t mv = pod->watch.supply_mv;
    kn_unlock(pod->port, state);
    uint16_t limit = pod->port->supply_low_mv;
    if (mv == 0 || limit == 0) {
        return;
    }
    if (mv < limit) {
        kn_faults_set(&pod->faults, KN_FAULT_SUPPLY_LOW, KN_POD_PLACE);
    } else if (mv >= limit + SUPPLY_HYSTERESIS_MV) {
        kn_faults_set(&pod->faults, KN_FAULT_SUPPLY_LOW, 0);
    }
}

void kn_inputs_pass(kn_pod *pod)
{
    int32_t unused;
    (void)kn_inputs_take_caliper(pod, &unused);
}
