#include "timers.h"

#include "chip.h"

#define TIFR0 0x35
#define TIFR2 0x37

/* The emulator clears every flag of the timer, and the interrupt that waits with it. */
static void flags_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    uint8_t kept = (uint8_t)(avr->data[address] & ~value);
    avr_int_table_t *table = &avr->interrupts;
    uint8_t waits[sizeof table->vector / sizeof *table->vector] = {0};
    for (unsigned i = 0; i < table->vector_count; i++) {
        avr_int_vector_t *vector = table->vector[i];
        if (vector->raised.reg == address && kept >> vector->raised.bit & 1) {
            waits[i] = vector->pending;
        }
    }
    pass_write(address, value);
    if (!remedy_on(REMEDY_TIMER_FLAGS)) {
        return;
    }
    avr->data[address] |= kept;
    for (unsigned i = 0; i < table->vector_count; i++) {
        if (waits[i]) { /* it still stands in the queue, struck out */
            table->vector[i]->pending = 1;
        }
    }
}

void timers_open(void)
{
    for (uint16_t address = TIFR0; address <= TIFR2; address++) {
        hook_write(address, flags_written);
    }
}
