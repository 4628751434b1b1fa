#include "registers.h"

#include "once.h"

#include <stddef.h>

KN_ONCE void kn_registers_write(kn_transfer *t, uint8_t address, const uint8_t *bytes, uint8_t length)
{
    t->address = address;
    t->out = bytes;
    t->out_length = length;
    t->in = NULL;
    t->in_length = 0;
    t->status = KN_PENDING;
}

KN_ONCE void kn_registers_read(kn_transfer *t, uint8_t address, const uint8_t *first, uint8_t *into,
                       uint8_t length)
{
    t->address = address;
    t->out = first;
    t->out_length = 1;
    t->in = into;
    t->in_length = length;
    t->status = KN_PENDING;
}

KN_ONCE void kn_registers_wait(kn_transfer *t)
{
    t->address = 0;
    t->out_length = 0;
    t->in_length = 0;
    t->status = KN_OK;
}
