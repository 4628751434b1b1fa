/* Analog inputs: sources behind a resistance, 10 nF at the input, open inputs, noise, supply. */
#ifndef BENCH_ANALOG_H
#define BENCH_ANALOG_H

#include <stdbool.h>
#include <stdint.h>

#define ANALOG_INPUTS 8u

void analog_open(void);
void analog_after_reset(void);
/* To be called before direction or pull-up of a pin changes. */
void analog_pins_change(void);
/* Connect a source: millivolts behind a resistance, with noise (rms, before the converter). */
void analog_source(uint8_t input, double mv, double ohm, double noise_mv);
void analog_disconnect(uint8_t input);

#endif
