/* Light, buzzer and button. */
#include "board.h"
#include "pin_access.h"

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

/* The timer turns the pin over at each match: hz = F_CPU / (2 * prescaler * (OCR0A + 1)), with the
 * prescaler 64 down to 489 Hz and 1024 below, down to 31 Hz. */
void kn_panel_tone(void *self, uint16_t hz)
{
    (void)self;
    uint8_t prescaler = (1 << CS01) | (1 << CS00);
    TCCR0A = 0; /* the pin is the port's again, which holds it low */
    TCCR0B = 0;
    if (hz == 0) {
        return;
    }
    uint32_t count = F_CPU / 2 / 64 / hz;
    if (count > 256) {
        count >>= 4;
        prescaler = (1 << CS02) | (1 << CS00);
    }
    TCNT0 = 0;
    OCR0A = (uint8_t)(count - 1);
    TCCR0A = (1 << COM0A0) | (1 << WGM01);
    TCCR0B = prescaler;
}

uint8_t kn_panel_button(void *self)
{
    (void)self;
    return kn_input_BUTTON() == 0;
}
