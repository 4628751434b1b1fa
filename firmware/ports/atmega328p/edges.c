/* The caliper's clock on INT0. Its two lines come through a transistor each, which turns them
 * upside down: the falling edge of the clock is a rising one here. Without the transistors the
 * pull-ups hold the lines still. */
#include "board.h"
#include "pin_access.h"

void kn_edges_open(void)
{
    kn_set(kn_port_CALIPER_CLOCK(), KN_BIT_CALIPER_CLOCK);
    kn_set(kn_port_CALIPER_DATA(), KN_BIT_CALIPER_DATA);
    EICRA = KN_CALIPER_INVERTED ? (1 << ISC01) | (1 << ISC00) : 1 << ISC01;
}

void kn_edges_listen(void *self)
{
    (void)self;
    const uint8_t before = kn_irq_off();
    EIFR = 1 << INTF0;
    EIMSK = 1 << INT0;
    kn_irq_restore(before);
}

ISR(INT0_vect)
{
    const uint8_t high = kn_input_CALIPER_DATA() != 0;
    kn_wake();
    if (!kn_pod_on_caliper_edge(&kn_board_pod, kn_clock_now(NULL), high ^ KN_CALIPER_INVERTED)) {
        EIMSK = 0;
    }
}
