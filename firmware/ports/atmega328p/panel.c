/* Light, buzzer and button. */
#include "board.h"
#include "pin_access.h"

#include <avr/pgmspace.h>

/* Timer 0's prescalers as powers of two, with their bits. */
static const struct {
    uint8_t shift;
    uint8_t bits;
} prescalers[] PROGMEM = {
    {0, 1 << CS00},
    {3, 1 << CS01},
    {6, (1 << CS01) | (1 << CS00)},
    {8, 1 << CS02},
    {10, (1 << CS02) | (1 << CS00)},
};

void kn_panel_open(void)
{
    kn_set(kn_direction_LIGHT(), KN_BIT_LIGHT);
    kn_set(kn_direction_BUZZER(), KN_BIT_BUZZER);
    kn_set(kn_port_BUTTON(), KN_BIT_BUTTON);
}

void kn_panel_light(void *self, uint8_t on)
{
    (void)self;
    if (on) {
        kn_set(kn_port_LIGHT(), KN_BIT_LIGHT);
    } else {
        kn_clear(kn_port_LIGHT(), KN_BIT_LIGHT);
    }
}

/* The timer turns the pin over at each match: hz = F_CPU / (2 * prescaler * (OCR0A + 1)). */
void kn_panel_tone(void *self, uint16_t hz)
{
    (void)self;
    TCCR0A = 0; /* the pin is the port's again, which holds it low */
    TCCR0B = 0;
    if (hz == 0) {
        return;
    }
    const uint32_t half_periods = F_CPU / 2 / hz;
    for (uint8_t i = 0; i < sizeof prescalers / sizeof prescalers[0]; i++) {
        const uint32_t count = half_periods >> pgm_read_byte(&prescalers[i].shift);
        if (count <= 256) {
            TCNT0 = 0;
            OCR0A = (uint8_t)(count > 0 ? count - 1 : 0);
            TCCR0A = (1 << COM0A0) | (1 << WGM01);
            TCCR0B = pgm_read_byte(&prescalers[i].bits);
            return;
        }
    }
}

uint8_t kn_panel_button(void *self)
{
    (void)self;
    return kn_input_BUTTON() == 0;
}
