/* What the drivers of sensors on the bus have in common. They know no port and no pod: they fill
 * in transfers and judge what came back. Their rules, with the MPU-6050 as example:
 *
 * Set-up and self-test go by steps from the main loop; kn_mpu6050_reset() and
 * kn_mpu6050_self_test_begin() go to the first one. Each call of kn_mpu6050_setup() or
 * kn_mpu6050_self_test() is one step, with the same transfer throughout, and returns
 *   KN_PENDING, t->address not 0   the transfer is to be carried out before the next call,
 *                                  which finds its result in t->status;
 *   KN_PENDING, t->address 0       the next call is to come after m->procedure.wait_ms (else 0);
 *   KN_OK                          done;
 *   a negative error               failed; a t->status other than KN_OK is handed on.
 * After either end the next call is the first step again.
 *
 * A reading: kn_mpu6050_read() only fills in its transfer; kn_mpu6050_finish() says that it
 * ended well, which makes it the one that kn_mpu6050_decode() reads. That one stays whole until
 * the reading after the next is begun.
 *
 * A transfer addresses the sensor's registers: the register's number, then the data. */
#ifndef KN_REGISTERS_H
#define KN_REGISTERS_H

#include "errors.h"
#include "port.h"

/* Fill `t` to write `length` bytes: `bytes[0]` is the register, the rest goes into it and the
 * following ones. `bytes` must live until the transfer is done. */
void kn_registers_write(kn_transfer *t, uint8_t address, const uint8_t *bytes, uint8_t length);

/* Fill `t` to read `length` bytes from the register `*first` on. Both must live until then. */
void kn_registers_read(kn_transfer *t, uint8_t address, const uint8_t *first, uint8_t *into,
                       uint8_t length);

/* No transfer: the driver only wants time to pass. */
void kn_registers_wait(kn_transfer *t);

#endif
