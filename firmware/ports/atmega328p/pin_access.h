/* pins.h as C: for each pin its bit, KN_BIT_<name>, and its registers, kn_port_<name>() to
 * write, kn_direction_<name>(), kn_input_<name>(). So a pin stands in pins.h and nowhere else. */
#ifndef KN_PIN_ACCESS_H
#define KN_PIN_ACCESS_H

#include "board.h"
#include "pins.h"

#include <avr/io.h>
#include <stdint.h>

#define KN_PIN_ACCESS(name, letter, bit, label, direction, purpose) \
    enum { KN_BIT_##name = 1 << (bit), KN_POSITION_##name = (bit) }; \
    KN_INLINE volatile uint8_t *kn_port_##name(void) { return &PORT##letter; } \
    KN_INLINE volatile uint8_t *kn_direction_##name(void) { return &DDR##letter; } \
    KN_INLINE uint8_t kn_input_##name(void) { return (uint8_t)(PIN##letter & (1 << (bit))); }

KN_PINS(KN_PIN_ACCESS)

/* These the chip ties to a pin: ATmega328P data sheet, Port Pin Alternate Functions. */
_Static_assert(KN_POSITION_RXD == PORTD0, "RXD is PD0");
_Static_assert(KN_POSITION_TXD == PORTD1, "TXD is PD1");
_Static_assert(KN_POSITION_CALIPER_CLOCK == PORTD2, "INT0 is PD2");
_Static_assert(KN_POSITION_BUZZER == PORTD6, "OC0A is PD6");
_Static_assert(KN_POSITION_POTENTIOMETER == PORTC0, "ADC0 is PC0");
_Static_assert(KN_POSITION_SDA == PORTC4, "SDA is PC4");
_Static_assert(KN_POSITION_SCL == PORTC5, "SCL is PC5");

#endif
