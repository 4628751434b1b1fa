/* Run before memory is set up, after stack and zero register are.
 *
 * After a reset by the watchdog it runs on, at its shortest time, 16 ms: it has to be stopped
 * before it bites again. Its flag must go first, else it cannot be stopped. */
#include <avr/io.h>

    .section .init3, "ax", @progbits
    in   r24, _SFR_IO_ADDR(MCUSR)
    sts  kn_watchdog_flags, r24
    out  _SFR_IO_ADDR(MCUSR), r1
    wdr
    ldi  r24, (1 << WDCE) | (1 << WDE)
    sts  WDTCSR, r24
    sts  WDTCSR, r1
