/* Driver of the ADXL355, a low-noise 3-axis accelerometer of 20 bits on the bus, at +-2 g.
 * registers.h states the rules that it shares with the other drivers.
 *
 * Registers and figures: ADXL354/ADXL355 data sheet rev B, from memory. */
#ifndef KN_ADXL355_H
#define KN_ADXL355_H

#include "channel.h"
#include "flash.h"
#include "port.h"
#include "procedure.h"
#include "registers.h"

enum {
    KN_ADXL355_ADDRESS = 0x1D,
    KN_ADXL355_VALUES = 4, /* of one reading: ax ay az, temperature */
    KN_ADXL355_CHANNELS = 2,
    KN_ADXL355_BURST = 11
};

/* Rows of the channel table: accelerometer, temperature. */
extern const kn_channel kn_adxl355_channels[KN_ADXL355_CHANNELS] KN_FLASH;

typedef struct kn_adxl355 {
    kn_procedure procedure;
    uint8_t failed; /* by the last self-test: bit 0 the accelerometer: where its numbers begin */
    uint8_t filter; /* FILTER in force */
    uint8_t first;  /* register that a reading begins with, where the bus takes it from */
    volatile uint8_t finished;           /* which buffer holds the last finished reading */
    uint8_t memory[2 * KN_ADXL355_BURST]; /* two readings */
} kn_adxl355;

/* The next kn_adxl355_setup() begins with its first step. */
void kn_adxl355_reset(kn_adxl355 *a);

/* Next step of the set-up: identity, reset, range, filter, measuring; what was written is read
 * back. The filter is the slowest output rate that is at least `raw_rate_hz`, so that every
 * reading is a new one; its low-pass, a quarter of the output rate, stays below half of
 * `raw_rate_hz`. Waits 32 ms to 1.1 s in all, more the slower.
 * KN_OK: ready to be read. KN_E_IDENTITY: another part answers. KN_E_DAMAGED: the settings do
 * not read back as written. Other errors are those of the transfer. */
int8_t kn_adxl355_setup(kn_adxl355 *a, uint16_t raw_rate_hz, kn_transfer *t);

/* [isr] Fill `t` with the transfer of one reading. */
void kn_adxl355_read(kn_adxl355 *a, kn_transfer *t);

/* [isr] That transfer has ended with KN_OK. */
void kn_adxl355_finish(kn_adxl355 *a);

/* The last finished reading: ax ay az (20 bits with sign), temperature (12 bits without) in raw
 * counts. KN_OK, or KN_E_NO_ANSWER for what only a sensor gives that has lost its power or its bus (all
 * 00, or FF at the end: nobody pulls the line low). */
int8_t kn_adxl355_decode(const kn_adxl355 *a, int32_t value[KN_ADXL355_VALUES]);

/* The next kn_adxl355_self_test() begins with its first step. */
void kn_adxl355_self_test_begin(kn_adxl355 *a);

/* Next step of the self-test of a sensor that is set up and not being read: the change of each
 * axis under the chip's own electrostatic force lies within 0.1 to 0.6 g (x, y) and 0.5 to
 * 3.0 g (z). Run at +-8 g: gravity and the change of z together do not fit into +-2 g. The pod
 * must stand still. Waits 0.25 s in all, more the slower.
 * KN_OK: good. KN_E_VALUE: bad, see `failed`. After both the settings of the set-up are in
 * force again. Other errors are those of the transfer. */
int8_t kn_adxl355_self_test(kn_adxl355 *a, kn_transfer *t);

#endif
