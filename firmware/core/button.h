/* The button, debounced. */
#ifndef KN_BUTTON_H
#define KN_BUTTON_H

#include <stdint.h>

/* All 0: released, nothing to send. */
typedef struct kn_button {
    uint8_t pressed;   /* as debounced */
    uint8_t differs_ms; /* for how long the contact has said otherwise */
    uint8_t event;     /* whether a change waits to be sent */
    uint32_t tick;     /* when the contact changed */
} kn_button;

/* Look at the contact (1: closed) after some time. A change counts once the contact has kept to
 * it for 20 ms. While a change waits to be sent, no other one counts, so that none is lost. */
void kn_button_pass(kn_button *b, uint8_t contact, uint32_t tick, uint16_t elapsed_ms);

#endif
