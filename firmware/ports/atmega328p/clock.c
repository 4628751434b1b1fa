/* Timer 1 counts 4 us ticks and never stops; its overflows are the upper half of the tick. The
 * alarm is its first comparator. Timer 2 wakes the main loop. */
#include "board.h"

/* The alarm's interrupt comes so many ticks before its tick. What the core does before the first
 * transfer takes six; the rest is for other interrupts that happen to be under way. */
enum { LEAD = 11 };
#define FARTHEST 50000u

/* The second comparator is that of edges.c. */
enum { WITHOUT_ALARM = (1 << TOIE1) | (1 << OCIE1B) };

static volatile uint16_t overflows;
static uint32_t alarm_tick;

void kn_clock_open(void)
{
    TCCR1A = 0;
    TIMSK1 = WITHOUT_ALARM;
    TCCR1B = (1 << CS11) | (1 << CS10);
    TCCR2A = 0;
    TIMSK2 = 1 << TOIE2;
    TCCR2B = 1 << CS22;
}

/* With interrupts off: the upper half lags while an overflow waits to be served. */
static uint32_t now_locked(void)
{
    const uint16_t low = TCNT1;
    uint16_t high = overflows;
    if ((TIFR1 & (1 << TOV1)) && low < 0x8000u) {
        high++;
    }
    return ((uint32_t)high << 16) | low;
}

uint32_t kn_clock_now(void *self)
{
    (void)self;
    const uint8_t before = kn_irq_off();
    const uint32_t tick = now_locked();
    kn_irq_restore(before);
    return tick;
}

/* The comparator sees 16 bits, one turn of 262 ms: the longest way ahead that port.h allows, 0.2 s,
 * takes 50000 ticks of it, what is more is past. The alarm is set no nearer than two ticks: a match
 * at the tick at which it is written may be missed. */
void kn_clock_due_at(void *self, uint32_t tick)
{
    (void)self;
    const uint8_t before = kn_irq_off();
    const uint16_t soonest = (uint16_t)(TCNT1 + 2u);
    uint16_t call_tick = (uint16_t)((uint16_t)tick - LEAD);
    if ((uint16_t)(call_tick - soonest) > FARTHEST) {
        call_tick = soonest;
    }
    alarm_tick = tick;
    OCR1A = call_tick;
    TIFR1 = 1 << OCF1A;
    TIMSK1 = WITHOUT_ALARM | (1 << OCIE1A);
    kn_irq_restore(before);
}

void kn_clock_due_off(void *self)
{
    (void)self;
    TIMSK1 = WITHOUT_ALARM;
}

uint32_t kn_clock_due_wait(void *self)
{
    (void)self;
    const uint16_t due = (uint16_t)alarm_tick;
    uint16_t ahead;
    do {
        ahead = (uint16_t)(due - TCNT1);
    } while (ahead != 0 && ahead <= LEAD);
    return ahead == 0 ? alarm_tick : now_locked();
}

ISR(TIMER1_COMPA_vect)
{
    TIMSK1 = WITHOUT_ALARM;
    kn_wake();
    kn_pod_on_due(&kn_board_pod, alarm_tick);
}

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

ISR(TIMER2_OVF_vect)
{
    kn_watchdog_silence++;
    kn_wake();
}
