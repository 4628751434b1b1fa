#include "throttle.h"

#include "once.h"

#define LARGEST 150
#define LEAST_BYTES_PER_S 60
#define BAUD_PER_BYTE_PER_S 160
#define FRACTIONS 1000
/* Time enough to fill the allowance from any debt at any rate: more makes no difference. */
#define LONG_MS 10000

void kn_throttle_fill(kn_throttle *t)
{
    t->allowance = LARGEST;
}

void kn_throttle_pass(kn_throttle *t, uint32_t baud, uint16_t elapsed_ms)
{
    uint16_t rate = (uint16_t)(LEAST_BYTES_PER_S + baud / BAUD_PER_BYTE_PER_S);
    uint16_t ms = elapsed_ms < LONG_MS ? elapsed_ms : LONG_MS;
    for (; ms > 0 && t->allowance < LARGEST; ms--) {
        t->fraction = (uint16_t)(t->fraction + rate);
        if (t->fraction >= FRACTIONS) {
            t->fraction = (uint16_t)(t->fraction - FRACTIONS);
            t->allowance++;
        }
    }
}

uint8_t kn_throttle_open(const kn_throttle *t)
{
    return t->allowance > 0;
}

KN_ONCE void kn_throttle_spend(kn_throttle *t, uint16_t bytes)
{
    t->allowance = (int16_t)(t->allowance - (int16_t)bytes);
}
