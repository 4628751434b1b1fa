#include "throttle.h"

#define PER_BYTE 1000
#define LARGEST ((int32_t)150 * PER_BYTE)
#define LEAST_BYTES_PER_S 60
#define BAUD_PER_BYTE_PER_S 160
/* Time enough to fill the allowance from any debt at any rate: more makes no difference. */
#define LONG_MS 10000

void kn_throttle_fill(kn_throttle *t)
{
    t->allowance = LARGEST;
}

void kn_throttle_pass(kn_throttle *t, uint32_t baud, uint16_t elapsed_ms)
{
    uint16_t ms = elapsed_ms < LONG_MS ? elapsed_ms : LONG_MS;
    int32_t rate = (int32_t)(LEAST_BYTES_PER_S + baud / BAUD_PER_BYTE_PER_S);
    t->allowance += rate * (int32_t)ms;
    if (t->allowance > LARGEST) {
        t->allowance = LARGEST;
    }
}

uint8_t kn_throttle_open(const kn_throttle *t)
{
    return t->allowance > 0;
}

void kn_throttle_spend(kn_throttle *t, uint16_t bytes)
{
    t->allowance -= (int32_t)bytes * PER_BYTE;
}
