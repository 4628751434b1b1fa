/* The watchdog, and why the board started. */
#include "board.h"

#include <avr/wdt.h>

/* These lie where a reset leaves them alone, for bootloaders that clear MCUSR before this program
 * sees it: how long the main loop had been silent then tells a hang all the same. */
#define MARK 0x4B4E5744ul
enum { HUNG_TURNS = 300 }; /* of 1.024 ms; the watchdog's own clock may be a fifth fast */
static uint32_t mark __attribute__((section(".noinit")));
volatile uint16_t kn_watchdog_silence __attribute__((section(".noinit")));

uint8_t kn_watchdog_flags __attribute__((section(".noinit"))); /* MCUSR, from start.S */

/* This program clears the flags at each start, so more than one stands for the resets since
 * then, and the first in this order was the first in time: a bootloader that was entered by the
 * reset pin leaves by the watchdog. */
static uint8_t cause_of(uint8_t flag_bits, uint8_t hung)
{
    if (flag_bits & (1 << PORF)) {
        return KN_RESET_POWER_ON;
    }
    if (flag_bits & (1 << BORF)) {
        return KN_RESET_BROWN_OUT;
    }
    if (flag_bits & (1 << EXTRF)) {
        return KN_RESET_EXTERNAL;
    }
    if ((flag_bits & (1 << WDRF)) || hung) {
        return KN_RESET_WATCHDOG;
    }
    return KN_RESET_UNKNOWN;
}

uint8_t kn_watchdog_open(void)
{
    const uint8_t cause = cause_of(
        kn_watchdog_flags, mark == MARK && kn_watchdog_silence >= HUNG_TURNS);
    mark = MARK;
    kn_watchdog_silence = 0;
    const uint8_t before = kn_irq_off();
    wdt_reset();
    WDTCSR = (1 << WDCE) | (1 << WDE);
    WDTCSR = (1 << WDE) | (1 << WDP2) | (1 << WDP0);
    kn_irq_restore(before);
    return cause;
}

void kn_watchdog_alive(void *self)
{
    (void)self;
    wdt_reset();
    const uint8_t before = kn_irq_off();
    kn_watchdog_silence = 0;
    kn_irq_restore(before);
}
