/* Finds sensors, sets them up, notices when they go and sets them up again; self-tests.
 *
 * One procedure runs at a time, step by step, its transfers between the readings. */
#ifndef KN_WATCH_H
#define KN_WATCH_H

#include <stdint.h>

#include "readings.h"
#include "table.h"

struct kn_pod;

/* State of a part on the bus. */
enum kn_part_state {
    KN_PART_AWAY,    /* tried again once a second */
    KN_PART_CHANGING, /* there, but to be set up for another rate; no readings meanwhile */
    KN_PART_READY
};

typedef struct kn_watch {
    uint8_t state[KN_BUS_PARTS];
    int8_t error[KN_BUS_PARTS];     /* of the last set-up */
    uint8_t verdict[KN_BUS_PARTS];  /* of the last self-test: a fault code */
    uint8_t linear;                 /* set of the linear parts that are there */
    uint8_t to_set_up;              /* sets of parts on the bus that wait for a procedure */
    uint8_t to_probe;
    uint8_t to_test;
    uint8_t look_due;               /* whether the once-a-second look at the other inputs is due */
    uint8_t procedure;              /* that runs, watch.c */
    uint8_t part;                   /* that it concerns */
    uint8_t held;                   /* whether the bus must be freed before the next set-up */
    uint8_t launch;                 /* whether its transfer waits for the bus */
    uint16_t wait_ms;               /* until its next step */
    uint16_t second_ms;             /* until the next look at everything */
    uint16_t settle_ms;             /* until the first look counts as done */
    volatile uint16_t supply_mv;    /* 0 before the first measurement */
} kn_watch;

/* Begin to look for everything. The pod's memory is all 0. */
void kn_watch_start(struct kn_pod *pod);

/* Let time pass. */
void kn_watch_pass(struct kn_pod *pod, uint16_t elapsed_ms);

/* Go on with what is under way. */
void kn_watch_step(struct kn_pod *pod);

/* Whether everything has been looked for since the start. */
uint8_t kn_watch_looked(const struct kn_pod *pod);

/* The set of parts that are there. */
uint8_t kn_watch_present(const struct kn_pod *pod);

/* The rate has changed: set up what is there for it. */
void kn_watch_rate_changed(struct kn_pod *pod);

/* Whether readings must wait for a change of rate. */
uint8_t kn_watch_changing(const struct kn_pod *pod);

/* Begin the self-test of everything in the table. */
void kn_watch_self_test(struct kn_pod *pod);

/* Whether it still runs. */
uint8_t kn_watch_testing(const struct kn_pod *pod);

/* Its verdict on a row: a fault code, KN_FAULT_NONE if good. */
uint8_t kn_watch_verdict(const struct kn_pod *pod, uint8_t row);

/* A part on the bus has stopped giving readings: it is away, and looked for at once. */
void kn_watch_lose(struct kn_pod *pod, uint8_t part, int8_t error);

/* A transfer has failed: count it; free the bus before the next set-up if it was the bus's
 * own fault. */
void kn_watch_bus_error(struct kn_pod *pod, int8_t error);

/* Bring the faults that follow from which parts are there up to date. */
void kn_watch_show_faults(struct kn_pod *pod);

/* The set of parts that are read by interrupts. */
uint8_t kn_watch_parts_to_read(const struct kn_pod *pod);

#endif
