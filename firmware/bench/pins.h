/* Levels on the pins: what the world drives, what the program shows. */
#ifndef BENCH_PINS_H
#define BENCH_PINS_H

#include <stdbool.h>
#include <stdint.h>

#define PIN_FLOATING (-1)

void pins_open(void);
void pins_after_reset(void);
/* Drive a pin of port 'B', 'C' or 'D' to 0 or 1, or leave it to its pull-up. */
void pin_drive(char port, uint8_t bit, int level);
/* The sensor bus's lines may have changed. */
void pins_bus_changed(void);
/* Whether the program drives the pin, and whether its port bit is set (high, or pull-up). */
bool pin_is_output(char port, uint8_t bit);
bool pin_port_bit(char port, uint8_t bit);
bool pins_light(void);
uint32_t pins_tone_hz(void);

#endif
