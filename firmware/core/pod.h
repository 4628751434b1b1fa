/* The pod: everything that the core remembers, and the functions by which a port drives it.
 *
 * Functions marked [isr] may be called from interrupts. They never wait, and must not interrupt
 * each other; they may interrupt kn_pod_step() wherever the port is not locked. Memory that
 * both sides touch is that of `readings` (each access from the main loop is locked there),
 * `watch.supply_mv` (locked) and `sensors.caliper` (see caliper.h). Nothing else is shared. */
#ifndef KN_POD_H
#define KN_POD_H

#include <stdint.h>

#include "button.h"
#include "commands.h"
#include "cues.h"
#include "faults.h"
#include "judge.h"
#include "port.h"
#include "readings.h"
#include "receiver.h"
#include "sampler.h"
#include "sensors.h"
#include "settings.h"
#include "table.h"
#include "throttle.h"
#include "watch.h"

typedef struct kn_pod {
    /* What is used most comes first: an 8-bit machine reaches 64 bytes from a pointer. */
    const kn_port *port;
    uint16_t ticks_per_ms;
    uint8_t streaming;
    uint8_t crowded_ms;      /* for how long sample frames are sent half full to make room */
    uint16_t asked;          /* averaging that the host asked for */
    uint16_t averaging;      /* in force */
    uint16_t least;          /* averaging that the line carries */
    uint16_t rate_hz;        /* raw readings a second */
    uint16_t in_frame_time;  /* raw readings in the longest time that a frame takes to fill */
    uint32_t raw_period;     /* ticks */
    uint32_t longest_step;   /* ticks between readings of which none is missing */
    uint32_t baud;           /* of the line now */
    uint32_t ms_tick;        /* tick up to which time has been counted in ms */
    uint16_t hello_in_ms;
    uint16_t status_in_ms;
    uint32_t dropped;        /* counters of STATUS */
    uint32_t bus_errors;
    uint32_t bad_frames;
    uint32_t overruns_seen;
    /* Touched by the edges' interrupt, and by the main loop while the port is locked. */
    uint8_t caliper_edges;   /* since the core listened last */
    uint8_t caliper_deaf;    /* whether the port was told to stop listening */
    uint8_t caliper_rest_ms;
    kn_commands commands;
    kn_throttle throttle;
    kn_button button;
    kn_cues cues;
    kn_table table;
    kn_watch watch;
    kn_judge judge;
    kn_faults faults;
    kn_settings settings;
    kn_readings readings;
    kn_sampler sampler;
    kn_receiver receiver;
    kn_sensors sensors;
} kn_pod;

/* Start: read the settings, set the line's rate, begin to look for sensors. `port` must live
 * as long as the pod. No other function may be called before. */
void kn_pod_start(kn_pod *pod, const kn_port *port);

/* One turn of the main loop, some milliseconds at most. Returns 1 if there is more to do at
 * once, 0 if the processor may sleep until the next interrupt. To be called at least every
 * 5 ms, interrupt or not: patterns, waits and the button go by it. */
uint8_t kn_pod_step(kn_pod *pod);

/* [isr] The alarm set by due_at() has come: `tick` is the tick that was asked for. */
void kn_pod_on_due(kn_pod *pod, uint32_t tick);

/* [isr] The running bus transfer has ended; its status says how. */
void kn_pod_on_transfer(kn_pod *pod);

/* [isr] The conversions begun by analog_start() are done. */
void kn_pod_on_analog(kn_pod *pod, uint8_t input, uint16_t sum);

/* [isr] The measurement begun by supply_start() is done. */
void kn_pod_on_supply(kn_pod *pod, uint16_t millivolts);

/* [isr] A falling edge of the caliper's clock at `tick`, with the level of its data line.
 * Returns 1 if further edges are welcome; 0 if the port should stop listening until
 * caliper_listen() is called. */
uint8_t kn_pod_on_caliper_edge(kn_pod *pod, uint32_t tick, uint8_t data);

/* For the core's own files. */

/* Begin to stream, or do nothing if the pod streams. */
void kn_pod_stream(kn_pod *pod);

/* End streaming. Samples under way are given up: send them before. */
void kn_pod_stop(kn_pod *pod);

#endif
