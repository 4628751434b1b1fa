#include "procedure.h"

#include "errors.h"
#include "flash.h"
#include "registers.h"

void kn_procedure_begin(kn_procedure *p)
{
    p->next = 0;
}

static void take_step(kn_step *step, const kn_step *steps, uint8_t number, uint8_t setting)
{
    kn_flash_copy(step, &steps[number], sizeof *step);
    if (step->value == KN_STEP_SETTING) {
        step->value = setting;
    }
}

/* How the step before went. */
static int8_t judge(const kn_procedure *p, const kn_step *last, const kn_transfer *t)
{
    if (t->status != KN_OK) {
        return t->status;
    }
    if (p->bytes[1] != last->value) {
        if (last->kind == KN_STEP_IDENTITY) {
            return KN_E_IDENTITY;
        }
        if (last->kind == KN_STEP_VERIFY) {
            return KN_E_DAMAGED;
        }
    }
    return KN_OK;
}

int8_t kn_procedure_step(kn_procedure *p, const kn_step *steps, uint8_t address, uint8_t setting,
                         uint8_t *memory, kn_transfer *t)
{
    kn_step step;
    uint8_t number = p->next;
    p->next = 0;
    if (number != 0) {
        take_step(&step, steps, (uint8_t)(number - 1u), setting);
        int8_t result = judge(p, &step, t);
        if (result != KN_OK) {
            return result;
        }
    }
    take_step(&step, steps, number, setting);
    if (step.kind == KN_STEP_END) {
        return KN_OK;
    }
    p->next = (uint8_t)(number + 1u);
    p->wait_ms = 0;
    p->bytes[0] = step.at;
    if (step.kind == KN_STEP_WRITE) {
        p->bytes[1] = step.value;
        kn_registers_write(t, address, p->bytes, 2);
    } else if (step.kind >= KN_STEP_READ) {
        kn_registers_read(t, address, p->bytes, memory + step.value,
                          (uint8_t)(step.kind - KN_STEP_READ));
    } else if (step.kind < KN_STEP_WAIT) {
        kn_registers_read(t, address, p->bytes, &p->bytes[1], 1);
    } else {
        kn_registers_wait(t);
        p->wait_ms = step.value;
        if (step.kind == KN_STEP_SETTLE) {
            p->wait_ms = (uint16_t)(p->wait_ms + (1u << setting));
        }
    }
    return KN_PENDING;
}
