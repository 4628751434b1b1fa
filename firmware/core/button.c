#include "button.h"

#define STEADY_MS 20

void kn_button_pass(kn_button *b, uint8_t contact, uint32_t tick, uint16_t elapsed_ms)
{
    if (b->event || contact == b->pressed) {
        b->differs_ms = 0;
        return;
    }
    if (b->differs_ms == 0) {
        b->tick = tick;
        b->differs_ms = 1;
        return;
    }
    if (elapsed_ms < STEADY_MS && b->differs_ms + elapsed_ms <= STEADY_MS) {
        b->differs_ms = (uint8_t)(b->differs_ms + elapsed_ms);
        return;
    }
    b->differs_ms = 0;
    b->pressed = contact;
    b->event = 1;
}
