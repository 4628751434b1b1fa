/* All that the core knows of a board: one struct of functions, filled in by a port.
 *
 * The core owns no register, no interrupt and no clock. A port calls the kn_pod_on_...
 * functions of pod.h, from interrupts on a board, and kn_pod_step() from its main loop.
 */
#ifndef KN_PORT_H
#define KN_PORT_H

#include <stddef.h>
#include <stdint.h>

/* One transfer on the sensor bus: `out_length` bytes are written, then, after a repeated
 * start, `in_length` bytes are read; either may be 0. The memory belongs to the core and
 * stays untouched by it while `status` is KN_PENDING. The port sets `status` to KN_OK or a
 * negative error, then calls kn_pod_on_transfer(). */
typedef struct kn_transfer {
    uint8_t address; /* 7 bit, not shifted */
    uint8_t out_length;
    uint8_t in_length;
    volatile int8_t status;
    const uint8_t *out;
    uint8_t *in;
} kn_transfer;

/* The causes of the last start, numbered as in docs/protocol.md. */
enum kn_reset_cause {
    KN_RESET_UNKNOWN = 0,
    KN_RESET_POWER_ON = 1,
    KN_RESET_EXTERNAL = 2,
    KN_RESET_BROWN_OUT = 3,
    KN_RESET_WATCHDOG = 4,
    KN_RESET_COMMAND = 5
};

/* Functions marked [isr] may be called from an interrupt as well; the others come from the
 * main loop only. `self` is kn_port.self. None of them waits longer than stated. */
typedef struct kn_port {
    void *self;
    uint32_t tick_hz;          /* rate of now(): a whole number of kHz, at most 1 MHz */
    const char *hardware;      /* in flash, see flash.h: e.g. "atmega328p", at most 16 characters */
    uint8_t reset_cause;       /* enum kn_reset_cause */
    uint16_t supply_low_mv;    /* supply below which readings are not to be trusted; 0 if unknown */

    /* [isr] Keep every [isr] function of pod.h out until unlock(). Nests: unlock() is given
     * what lock() returned. Held for some tens of cycles only, so that nothing comes late.
     * Where those functions cannot interrupt the main loop it does nothing. */
    uint8_t (*lock)(void *self);
    void (*unlock)(void *self, uint8_t state);

    /* [isr] The tick now: 32 bit, wrapping. */
    uint32_t (*now)(void *self);
    /* [isr] Call kn_pod_on_due(pod, tick) when now() reaches `tick`, or a little before, if by
     * that due_wait() ends in time; one alarm at a time, a new one replaces the old. A tick
     * already past (by less than 2^31) fires at once. */
    void (*due_at)(void *self, uint32_t tick);
    /* [isr] No alarm. */
    void (*due_off)(void *self);
    /* [isr] In kn_pod_on_due() only, once, right before what is to start at the due tick: wait
     * for that tick, some tens of microseconds at most. Returns the tick now, which is that one
     * unless it is past. */
    uint32_t (*due_wait)(void *self);

    /* [isr] Begin a transfer. KN_OK, or KN_E_BUSY while another one runs, or KN_E_BUS if the bus
     * must be freed first. kn_pod_on_transfer() must not come before it has returned. */
    int8_t (*bus_start)(void *self, kn_transfer *transfer);
    /* Give up the running transfer, if any (its status becomes KN_E_TIMEOUT, without a call of
     * kn_pod_on_transfer), free a stuck bus by up to nine clock pulses and a STOP.
     * KN_OK if both lines are high afterwards, else KN_E_BUS. Takes 0.2 ms, 1.5 ms
     * at most where a device holds the clock back. */
    int8_t (*bus_recover)(void *self);

    /* [isr] Sum `conversions` (1 to 16) conversions of an analog input against the supply;
     * then kn_pod_on_analog(pod, input, sum), not before it has returned. KN_E_BUSY while one
     * runs. 10 bits each. */
    int8_t (*analog_start)(void *self, uint8_t input, uint8_t conversions);
    /* Whether something drives the input (an open one follows the pull-up). At most 1 ms. */
    uint8_t (*analog_connected)(void *self, uint8_t input);
    /* Begin to measure the supply; then kn_pod_on_supply(pod, millivolts), at most 2 ms later.
     * KN_E_BUSY while a conversion runs. NULL where a board cannot. */
    int8_t (*supply_start)(void *self);

    /* Listen to the caliper's clock (again), forgetting an edge that came while not listening.
     * NULL where a board has no caliper input. */
    void (*caliper_listen)(void *self);

    /* Bytes that transmit() takes at this moment. A queue of 320 bytes loses nothing even at the
     * line's limit; it must hold a full sample frame (253). */
    size_t (*transmit_room)(void *self);
    /* Queue bytes, all of which have room. */
    void (*transmit)(void *self, const uint8_t *data, size_t length);
    /* Take up to `size` received bytes; returns how many. */
    size_t (*receive)(void *self, uint8_t *into, size_t size);
    /* Set the line's rate, before anything has been sent. KN_E_VALUE if the board cannot make
     * it within 2.5 %: it stays at 115200 baud then. */
    int8_t (*set_baud)(void *self, uint32_t baud);

    /* Memory kept without power, at least 1024 bytes, erased to FF. */
    void (*keep_read)(void *self, uint16_t at, uint8_t *into, uint16_t length);
    /* Begin to write one byte, or do nothing if it is there already; KN_E_BUSY while the last one is being written (up to 4 ms). */
    int8_t (*keep_write)(void *self, uint16_t at, uint8_t value);
    /* Whether the last byte is still being written. */
    uint8_t (*keep_busy)(void *self);

    /* The light (0 off, 1 on) and the buzzer (0 off, else its frequency). */
    void (*light)(void *self, uint8_t on);
    void (*tone)(void *self, uint16_t hz);
    /* 1 while the button is pressed; not debounced. */
    uint8_t (*button)(void *self);

    /* Show that the main loop lives. */
    void (*alive)(void *self);
} kn_port;

#endif
