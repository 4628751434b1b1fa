/* Memory kept without power: the EEPROM. The supply must not sag during a write: the fuses of
 * the Makefile hold the chip in reset below 2.7 V. */
#include "board.h"

static void select(uint16_t at)
{
    while (EECR & (1 << EEPE)) {
    }
    EEAR = at;
}

static uint8_t read_selected(void)
{
    kn_set(&EECR, 1 << EERE);
    return EEDR;
}

void kn_keep_read(void *self, uint16_t at, uint8_t *into, uint16_t length)
{
    (void)self;
    for (uint16_t i = 0; i < length; i++) {
        select((uint16_t)((at + i) & E2END));
        into[i] = read_selected();
    }
}

int8_t kn_keep_write(void *self, uint16_t at, uint8_t value)
{
    if (at > E2END) {
        return KN_E_VALUE;
    }
    if (kn_keep_busy(self)) {
        return KN_E_BUSY;
    }
    select(at);
    if (read_selected() == value) {
        return KN_OK; /* a cell wears out by writing, 100 000 times at least */
    }
    EECR = 0;
    EEDR = value;
    const uint8_t before = kn_irq_off();
    /* sbi takes two cycles, and EEPE must follow within four: no read-modify-write in C */
    __asm__ __volatile__("sbi %0, %1\n\tsbi %0, %2" ::"I"(_SFR_IO_ADDR(EECR)), "I"(EEMPE), "I"(EEPE));
    kn_irq_restore(before);
    return KN_OK;
}

uint8_t kn_keep_busy(void *self)
{
    (void)self;
    return (EECR & (1 << EEPE)) != 0;
}
