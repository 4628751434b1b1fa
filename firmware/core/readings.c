#include "readings.h"

#include <stddef.h>

#include "access.h"
#include "errors.h"
#include "once.h"
#include "potentiometer.h"

/* Who has the bus. */
enum { NOBODY, READING, MAIN_LOOP };

#define LATE_FROM_US 25
#define HUNG_MS 10
/* A byte on the bus at 100 kHz takes 90 us; addresses, starts and stops are some bytes more. */
#define BUS_BYTES_PER_MS 10
#define BUS_BYTES_AROUND 4

#define ANALOG KN_BUS_PARTS
#define BUS_SET (KN_BIT(KN_BUS_PARTS) - 1)

void kn_readings_start(kn_readings *r, const kn_port *port, kn_sensors *sensors,
                       uint16_t ticks_per_ms)
{
    r->port = port;
    r->sensors = sensors;
    r->fill = r->slots;
    r->ticks_per_ms = ticks_per_ms;
    r->late_ticks = (uint8_t)(r->ticks_per_ms / (1000 / LATE_FROM_US));
}

/* The slot that is not being filled. */
static kn_reading *other(kn_readings *r)
{
    return r->fill == r->slots ? r->slots + 1 : r->slots;
}

/* The reading in `fill` becomes the one that the main loop may take. */
static void hand_over(kn_readings *r)
{
    const kn_reading *reading = r->fill;
    for (uint8_t part = 0; part < KN_BUS_PARTS; part++) {
        if ((reading->tried & kn_bit(part)) && reading->status[part] == KN_OK) {
            kn_sensors_finish(r->sensors, part);
        }
    }
    r->fill = other(r);
    r->waiting = 1;
}

static void end_if_complete(kn_readings *r)
{
    if (!r->running || r->bus_left || r->bus_user == READING || r->analog_left) {
        return;
    }
    r->running = 0;
    if (!r->on) {
        return;
    }
    if (r->waiting) {
        r->late = 1;
    } else {
        hand_over(r);
    }
}

/* The first transfer of a reading waits for the tick at which that is due. */
static void next_on_bus(kn_readings *r, uint8_t first)
{
    kn_reading *reading = r->fill;
    for (uint8_t part = 0; part < KN_BUS_PARTS; part++) {
        if (!(r->bus_left & kn_bit(part))) {
            continue;
        }
        r->bus_left = (uint8_t)(r->bus_left & ~kn_bit(part));
        kn_sensors_read(r->sensors, part, &r->transfer);
        r->transfer.status = KN_PENDING;
        r->bus_part = part;
        r->bus_user = READING;
        if (first) {
            reading->start = r->port->due_wait(r->port->self);
            first = 0;
        }
        int8_t result = r->port->bus_start(r->port->self, &r->transfer);
        if (result == KN_OK) {
            return;
        }
        reading->status[part] = result;
    }
    r->bus_user = NOBODY;
}

/* Returns the tick of its start. */
static uint32_t begin(kn_readings *r)
{
    kn_reading *reading = r->fill;
    uint8_t parts = r->parts;
    r->running = 1;
    r->bus_left = parts & BUS_SET;
    if (r->bus_left) {
        next_on_bus(r, 1);
    } else {
        reading->start = r->port->due_wait(r->port->self);
    }
    reading->tried = parts;
    if (parts & KN_BIT(KN_PART_POTENTIOMETER)) {
        int8_t result = r->port->analog_start(r->port->self, KN_POTENTIOMETER_INPUT,
                                              KN_POTENTIOMETER_CONVERSIONS);
        reading->status[ANALOG] = result;
        r->analog_left = result == KN_OK;
    }
    end_if_complete(r);
    return reading->start;
}

void kn_readings_on_due(kn_readings *r, uint32_t tick)
{
    if (!r->on) {
        return;
    }
    /* Parts that are not on the bus live on while the main loop searches a dead one. */
    uint8_t bus_missing = (r->parts & BUS_SET) && r->bus_user != NOBODY;
    uint16_t overruns = 1;
    if (!r->running && !r->late && !bus_missing) {
        overruns = begin(r) - tick > r->late_ticks;
    }
    /* After a long lock the next ones may be past already: they are lost, not made up for. */
    uint8_t past;
    r->due = tick;
    do {
        r->due += r->period;
        past = (int32_t)(kn_now(r->port) - r->due) >= 0;
        overruns = (uint16_t)(overruns + past);
    } while (past);
    r->overruns += overruns;
    r->port->due_at(r->port->self, r->due);
}

void kn_readings_on_transfer(kn_readings *r)
{
    if (r->bus_user == READING) {
        r->fill->status[r->bus_part] = r->transfer.status;
        next_on_bus(r, 0);
        end_if_complete(r);
    } else {
        r->bus_user = NOBODY;
    }
}

void kn_readings_on_analog(kn_readings *r, uint16_t sum)
{
    if (r->running && r->analog_left) {
        r->fill->analog = sum;
        r->analog_left = 0;
        end_if_complete(r);
    }
}

void kn_readings_on(kn_readings *r, uint32_t period)
{
    uint8_t state = kn_lock(r->port);
    r->period = period;
    r->due = kn_now(r->port) + period;
    r->on = 1;
    r->port->due_at(r->port->self, r->due);
    kn_unlock(r->port, state);
}

void kn_readings_off(kn_readings *r)
{
    uint8_t state = kn_lock(r->port);
    r->on = 0;
    r->waiting = 0;
    r->late = 0;
    r->port->due_off(r->port->self);
    kn_unlock(r->port, state);
}

const kn_reading *kn_readings_take(kn_readings *r)
{
    uint8_t state = kn_lock(r->port);
    const kn_reading *reading = r->waiting ? other(r) : NULL;
    kn_unlock(r->port, state);
    return reading;
}

void kn_readings_release(kn_readings *r)
{
    uint8_t state = kn_lock(r->port);
    r->waiting = 0;
    if (r->late) {
        r->late = 0;
        hand_over(r);
    }
    kn_unlock(r->port, state);
}

/* The ticks until the next reading; 0 if something is under way. Where it is about the bus alone,
 * conversions may run on, and readings without the bus may come. */
static KN_ONCE uint16_t idle_ticks(const kn_readings *r, uint8_t bus_alone)
{
    uint8_t concerned = bus_alone ? r->parts & BUS_SET : 1;
    if (r->bus_user != NOBODY || (r->running && !bus_alone)) {
        return 0;
    }
    if (!r->on || !concerned) {
        return UINT16_MAX;
    }
    int32_t left = (int32_t)(r->due - kn_now(r->port));
    if (left < 0) {
        return 0;
    }
    return left < UINT16_MAX ? (uint16_t)left : UINT16_MAX;
}

KN_ONCE uint8_t kn_readings_idle_for(const kn_readings *r, uint16_t ticks)
{
    uint8_t state = kn_lock(r->port);
    uint8_t idle = idle_ticks(r, 0) > ticks;
    kn_unlock(r->port, state);
    return idle;
}

int8_t kn_readings_lend(kn_readings *r)
{
    int8_t result = KN_E_BUSY;
    uint8_t bytes = (uint8_t)(r->lent.out_length + r->lent.in_length + BUS_BYTES_AROUND);
    uint16_t ticks = (uint16_t)(bytes * (r->ticks_per_ms / BUS_BYTES_PER_MS));
    /* Locked from the look to the start, so that no reading becomes due between the two. */
    uint8_t state = kn_lock(r->port);
    if (idle_ticks(r, 1) > ticks) {
        r->lent_at = kn_now(r->port);
        r->lent.status = KN_PENDING;
        r->bus_user = MAIN_LOOP;
        int8_t started = r->port->bus_start(r->port->self, &r->lent);
        if (started != KN_OK) {
            r->bus_user = NOBODY;
            r->lent.status = started;
        }
        result = KN_OK;
    }
    kn_unlock(r->port, state);
    return result;
}

uint8_t kn_readings_lending(const kn_readings *r)
{
    uint8_t state = kn_lock(r->port);
    uint8_t lending = r->bus_user == MAIN_LOOP;
    kn_unlock(r->port, state);
    return lending;
}

KN_ONCE static uint8_t hung_since(const kn_readings *r, uint32_t since)
{
    return kn_since(r->port, since) > (uint32_t)HUNG_MS * r->ticks_per_ms;
}

/* End the reading that runs: no interrupt touches it any more, since the port has forgotten its
 * transfer. */
static void give_up_reading(kn_readings *r)
{
    kn_reading *reading = r->fill;
    if (r->bus_user == READING) {
        reading->status[r->bus_part] = KN_E_TIMEOUT;
        r->bus_user = NOBODY;
    }
    for (uint8_t part = 0; part < KN_BUS_PARTS; part++) {
        if (r->bus_left & kn_bit(part)) {
            reading->status[part] = KN_E_TIMEOUT;
        }
    }
    if (r->analog_left) {
        reading->status[ANALOG] = KN_E_TIMEOUT;
    }
    r->bus_left = 0;
    r->analog_left = 0;
    end_if_complete(r);
}

uint8_t kn_readings_rescue(kn_readings *r)
{
    uint8_t state = kn_lock(r->port);
    uint8_t user = r->bus_user;
    uint8_t reading_hung = r->running && hung_since(r, r->fill->start);
    uint8_t lent_hung = user == MAIN_LOOP && hung_since(r, r->lent_at);
    if (reading_hung && user != READING) {
        give_up_reading(r);
        reading_hung = 0;
    }
    kn_unlock(r->port, state);
    if (!reading_hung && !lent_hung) {
        return 0;
    }
    /* `bus_user` keeps others off the bus meanwhile. What runs may still end by itself before
     * the port gives it up; then its interrupt has told already. */
    (void)r->port->bus_recover(r->port->self);
    state = kn_lock(r->port);
    if (lent_hung && r->bus_user == MAIN_LOOP) {
        r->lent.status = KN_E_TIMEOUT;
        r->bus_user = NOBODY;
    } else if (reading_hung && r->bus_user == READING) {
        give_up_reading(r);
    }
    kn_unlock(r->port, state);
    return 1;
}

int8_t kn_readings_free_bus(kn_readings *r)
{
    uint8_t state = kn_lock(r->port);
    uint8_t busy = idle_ticks(r, 1) < r->ticks_per_ms;
    if (!busy) {
        r->bus_user = MAIN_LOOP;
        r->lent_at = kn_now(r->port);
    }
    kn_unlock(r->port, state);
    if (busy) {
        return KN_E_BUSY;
    }
    int8_t result = r->port->bus_recover(r->port->self);
    state = kn_lock(r->port);
    r->bus_user = NOBODY;
    kn_unlock(r->port, state);
    return result;
}

uint32_t kn_readings_overruns(const kn_readings *r)
{
    uint8_t state = kn_lock(r->port);
    uint32_t overruns = r->overruns;
    kn_unlock(r->port, state);
    return overruns;
}
