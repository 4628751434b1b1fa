/* Set-up and self-test of a sensor as a list of steps, in flash: small, and each sensor's reads
 * like its data sheet. registers.h tells how a driver's functions use it. */
#ifndef KN_PROCEDURE_H
#define KN_PROCEDURE_H

#include "port.h"

enum kn_step_kind {
    KN_STEP_END,
    KN_STEP_WRITE,    /* register `at` becomes `value` */
    KN_STEP_IDENTITY, /* register `at` must be `value`, else KN_E_IDENTITY */
    KN_STEP_VERIFY,   /* register `at` must be `value`, else KN_E_DAMAGED */
    KN_STEP_WAIT,     /* for `value` ms */
    KN_STEP_SETTLE,   /* for `value` + 2^setting ms */
    KN_STEP_READ      /* plus n: n bytes from register `at` on, into the memory at offset `value` */
};

/* As `value`: the setting that the procedure is run with. */
#define KN_STEP_SETTING 0xFE

typedef struct kn_step {
    uint8_t kind;
    uint8_t at;
    uint8_t value;
} kn_step;

typedef struct kn_procedure {
    uint16_t wait_ms; /* what the last step asked for */
    uint8_t next;
    uint8_t bytes[2]; /* a register's number, then what goes in or came out */
} kn_procedure;

/* The next step is the first. */
void kn_procedure_begin(kn_procedure *p);

/* Judge what the last step brought and do the next of `steps`, a table in flash. `memory` takes
 * what is read. Returns as the functions of registers.h do; after an end the next step is the
 * first again. */
int8_t kn_procedure_step(kn_procedure *p, const kn_step *steps, uint8_t address, uint8_t setting,
                         uint8_t *memory, kn_transfer *t);

#endif
