/* Transfers that address a sensor's registers: the register's number, then the data. */
#ifndef KN_REGISTERS_H
#define KN_REGISTERS_H

#include "errors.h"
#include "port.h"

/* Fill `t` to write `length` bytes: `bytes[0]` is the register, the rest goes into it and the
 * following ones. `bytes` must live until the transfer is done. */
static inline void kn_registers_write(kn_transfer *t, uint8_t address, const uint8_t *bytes,
                                      uint8_t length)
{
    t->address = address;
    t->out = bytes;
    t->out_length = length;
    t->in = NULL;
    t->in_length = 0;
    t->status = KN_PENDING;
}

/* Fill `t` to read `length` bytes from the register `*first` on. Both must live until then. */
static inline void kn_registers_read(kn_transfer *t, uint8_t address, const uint8_t *first,
                                     uint8_t *into, uint8_t length)
{
    t->address = address;
    t->out = first;
    t->out_length = 1;
    t->in = into;
    t->in_length = length;
    t->status = KN_PENDING;
}

/* No transfer: the driver only wants time to pass. */
static inline void kn_registers_wait(kn_transfer *t)
{
    t->address = 0;
    t->out_length = 0;
    t->in_length = 0;
    t->status = KN_OK;
}

#endif
