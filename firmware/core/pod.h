/* The pod: everything that the core remembers, and the functions by which a port drives it.
 *
 * Functions marked [isr] may be called from interrupts. They never wait, and must not interrupt
 * each other; they may interrupt kn_pod_step() wherever the port is not locked.
 */
#ifndef KN_POD_H
#define KN_POD_H

#include <stdint.h>

#include "port.h"

typedef struct kn_pod kn_pod;

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

#endif
