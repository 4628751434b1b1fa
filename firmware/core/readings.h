/* Raw readings: begun by the alarm, carried on by the interrupts of bus and converter, handed
 * to the main loop whole. Also lends the bus to the main loop between readings.
 *
 * Two readings are held: one that the main loop may look at (`waiting`), one under way or, if
 * the main loop is slow, complete behind it (`late`). A reading that finds no place when it is
 * due is left out and counted. */
#ifndef KN_READINGS_H
#define KN_READINGS_H

#include <stdint.h>

#include "port.h"
#include "sensors.h"

/* One reading of all parts that are read. */
typedef struct kn_reading {
    uint32_t start;                    /* tick */
    uint16_t analog;
    uint8_t tried;                     /* set of parts */
    int8_t status[KN_BUS_PARTS + 1];   /* of each tried part; the last is the potentiometer's */
} kn_reading;

typedef struct kn_readings {
    const kn_port *port;
    kn_sensors *sensors;
    uint32_t period;          /* ticks */
    uint16_t ticks_per_ms;
    uint8_t late_ticks;       /* a reading that starts later than this counts as late */
    uint32_t due;             /* tick of the next one */
    uint32_t overruns;
    uint8_t parts;            /* set of parts to read; changed by the main loop in one store */
    uint8_t on;               /* whether readings are made */
    uint8_t running;
    uint8_t waiting;
    uint8_t late;
    uint8_t bus_user;
    uint8_t bus_part;         /* of the transfer that runs */
    uint8_t bus_left;         /* set of parts still to be read in this reading */
    uint8_t analog_left;
    kn_transfer transfer;     /* of the readings */
    kn_transfer lent;         /* of the main loop */
    uint32_t lent_at;
    kn_reading *fill;         /* of `slots`, the one that is under way, or comes next */
    kn_reading slots[2];
} kn_readings;

/* Nothing runs yet; all other memory of it is 0. */
void kn_readings_start(kn_readings *r, const kn_port *port, kn_sensors *sensors,
                       uint16_t ticks_per_ms);

/* Begin: the first reading is due one period from now. */
void kn_readings_on(kn_readings *r, uint32_t period);

/* End. What is under way runs out; what is complete is forgotten. */
void kn_readings_off(kn_readings *r);

/* [isr] See pod.h. */
void kn_readings_on_due(kn_readings *r, uint32_t tick);
void kn_readings_on_transfer(kn_readings *r);
void kn_readings_on_analog(kn_readings *r, uint16_t sum);

/* The oldest complete reading, or NULL. It and the drivers' last finished readings stay as
 * they are until kn_readings_release(). */
const kn_reading *kn_readings_take(kn_readings *r);
void kn_readings_release(kn_readings *r);

/* Whether nothing runs, conversions included, and no reading is due within `ticks`. */
uint8_t kn_readings_idle_for(const kn_readings *r, uint16_t ticks);

/* Carry out `lent` on the bus. KN_OK, or KN_E_BUSY if a reading would come too late for it: ask
 * again. Its status then tells how it went. */
int8_t kn_readings_lend(kn_readings *r);

/* Whether `lent` is under way. */
uint8_t kn_readings_lending(const kn_readings *r);

/* See whether what runs should have ended long ago, and if so end it with KN_E_TIMEOUT.
 * Returns 1 if it was on the bus, which has then been freed. */
uint8_t kn_readings_rescue(kn_readings *r);

/* Free the bus. KN_E_BUSY if something runs on it or a reading is due within 1 ms, else what
 * bus_recover() returns. */
int8_t kn_readings_free_bus(kn_readings *r);

/* The number of readings that started late or not at all. */
uint32_t kn_readings_overruns(const kn_readings *r);

#endif
