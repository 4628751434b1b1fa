/* The caliper's clock on INT0. Its two lines come through a transistor each, which turns them
 * upside down: the falling edge of the clock is a rising one here. Without the transistors the
 * pull-ups hold the lines still.
 *
 * The interrupt only notes the edge; the main loop hands it to the core. So a chattering line
 * holds up a reading by some microseconds at most, and when there is no more room, or the core
 * has had enough, it is not listened to. */
#include "board.h"
#include "pin_access.h"

enum { NOTES = 8, NOTES_MASK = NOTES - 1 }; /* more than 2 ms of a packet's edges */

/* The tick in the upper 15 bits, 131 ms around, and the data below. */
static volatile uint16_t notes[NOTES];
static volatile uint8_t head; /* the interrupt's */
static volatile uint8_t tail; /* the main loop's */
static volatile uint8_t full; /* some were not noted */

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
    const uint8_t next = (uint8_t)((head + 1) & NOTES_MASK);
    notes[head] = (uint16_t)(TCNT1 << 1 | (high ^ KN_CALIPER_INVERTED));
    if (next == tail) {
        EIMSK = 0;
        full = 1;
    } else {
        head = next;
    }
}

void kn_edges_step(void)
{
    const uint8_t missed = full;
    uint8_t welcome = 1;
    while (tail != head) {
        const uint16_t note = notes[tail];
        tail = (uint8_t)((tail + 1) & NOTES_MASK);
        const uint32_t now = kn_clock_now(NULL);
        const uint16_t age = (uint16_t)(((uint16_t)now - (note >> 1)) & 0x7FFFu);
        if (!kn_pod_on_caliper_edge(&kn_board_pod, now - age, note & 1)) {
            EIMSK = 0;
            tail = head;
            welcome = 0;
        }
    }
    if (missed) {
        full = 0;
        if (welcome) {
            kn_edges_listen(NULL);
        }
    }
}
