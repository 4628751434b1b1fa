/* The caliper's clock on INT0. Its two lines come through a transistor each, which turns them
 * upside down: the falling edge of the clock is a rising one here. Without the transistors the
 * pull-ups hold the lines still.
 *
 * INT0 goes before the alarm of a reading, so its handler only notes the edge. The core gets it in
 * the handler of timer 1's second comparator, which the alarm goes before, one edge at a time: so
 * even a chattering line holds up a reading by some microseconds only. */
#include "board.h"
#include "pin_access.h"

enum { NOTES = 4, NOTES_MASK = NOTES - 1 };

/* The tick in the upper 15 bits, 131 ms around, and the data below. */
static uint16_t notes[NOTES];
static uint8_t head;
static uint8_t tail;

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

static inline void hand_over_soon(void)
{
    OCR1B = (uint16_t)(TCNT1 + 2u);
}

ISR(INT0_vect)
{
    const uint8_t high = kn_input_CALIPER_DATA() != 0;
    notes[head] = (uint16_t)(TCNT1 << 1 | (high ^ KN_CALIPER_INVERTED));
    head = (uint8_t)((head + 1) & NOTES_MASK);
    if (((head + 1) & NOTES_MASK) == tail) {
        EIMSK = 0; /* until there is room again */
    }
    hand_over_soon();
}

/* It also comes once a turn of the timer, with nothing to do. */
ISR(TIMER1_COMPB_vect)
{
    if (tail == head) {
        return;
    }
    const uint16_t note = notes[tail];
    const uint8_t was_full = ((head + 1) & NOTES_MASK) == tail;
    tail = (uint8_t)((tail + 1) & NOTES_MASK);
    const uint32_t now = kn_clock_now(NULL);
    const uint16_t age = (uint16_t)(((uint16_t)now - (note >> 1)) & 0x7FFFu);
    if (!kn_pod_on_caliper_edge(&kn_board_pod, now - age, note & 1)) {
        EIMSK = 0;
        tail = head;
    } else if (was_full) {
        kn_edges_listen(NULL);
    }
    if (tail != head) {
        hand_over_soon();
    }
    kn_wake();
}
