#include "faults.h"

#include <string.h>

#define TENTH_MS 100
#define SOON_GONE 10  /* tenths of a second */
#define LONG_GONE 50
#define TOLD_AGAIN 10
#define POD_PLACE_BIT 7

void kn_faults_reset(kn_faults *f)
{
    memset(f, 0, sizeof *f);
}

void kn_faults_set(kn_faults *f, uint8_t code, uint8_t places)
{
    f->standing[code] = places;
}

void kn_faults_change(kn_faults *f, uint8_t code, uint8_t places, uint8_t present)
{
    uint8_t others = (uint8_t)(f->standing[code] & ~places);
    f->standing[code] = present ? (uint8_t)(others | places) : others;
}

static uint8_t code_of(uint8_t passing)
{
    switch (passing) {
    case KN_PASSING_BUS:
        return KN_FAULT_BUS;
    case KN_PASSING_OVERRUN:
        return KN_FAULT_OVERRUN;
    case KN_PASSING_DROPPED:
        return KN_FAULT_DROPPED;
    default:
        return KN_FAULT_SENSOR_RANGE;
    }
}

static uint8_t place_of(uint8_t passing)
{
    return passing < KN_PASSING_RANGE ? KN_POD_PLACE : (uint8_t)(1u << (passing - KN_PASSING_RANGE));
}

static void happened(kn_faults *f, uint8_t passing, uint8_t tenths)
{
    kn_faults_change(f, code_of(passing), place_of(passing), 1);
    f->left[passing] = (uint8_t)(tenths + 1);
}

void kn_faults_bus(kn_faults *f)
{
    happened(f, KN_PASSING_BUS, SOON_GONE);
}

void kn_faults_overrun(kn_faults *f)
{
    happened(f, KN_PASSING_OVERRUN, LONG_GONE);
}

void kn_faults_dropped(kn_faults *f)
{
    happened(f, KN_PASSING_DROPPED, LONG_GONE);
}

void kn_faults_range(kn_faults *f, uint8_t row)
{
    if (row < KN_RANGE_ROWS) {
        happened(f, (uint8_t)(KN_PASSING_RANGE + row), SOON_GONE);
    }
}

void kn_faults_forget_rows(kn_faults *f)
{
    for (uint8_t code = 0; code < KN_FAULT_CODES; code++) {
        f->standing[code] &= KN_POD_PLACE;
    }
    for (uint8_t row = 0; row < KN_RANGE_ROWS; row++) {
        f->left[KN_PASSING_RANGE + row] = 0;
    }
}

void kn_faults_tell_again(kn_faults *f)
{
    memset(f->told, 0, sizeof f->told);
    memset(f->quiet, 0, sizeof f->quiet);
}

static void pass_tenth(kn_faults *f)
{
    for (uint8_t code = 0; code < KN_FAULT_CODES; code++) {
        if (f->quiet[code] > 0) {
            f->quiet[code]--;
        }
    }
    for (uint8_t passing = 0; passing < KN_PASSING; passing++) {
        if (f->left[passing] > 0 && --f->left[passing] == 0) {
            kn_faults_change(f, code_of(passing), place_of(passing), 0);
        }
    }
}

void kn_faults_pass(kn_faults *f, uint16_t elapsed_ms)
{
    uint16_t ms = (uint16_t)(f->ms + elapsed_ms);
    for (; ms >= TENTH_MS; ms = (uint16_t)(ms - TENTH_MS)) {
        pass_tenth(f);
    }
    f->ms = (uint8_t)ms;
}

uint8_t kn_faults_next(kn_faults *f, uint8_t *code, uint8_t *channel, uint8_t *present)
{
    for (uint8_t c = 0; c < KN_FAULT_CODES; c++) {
        uint8_t differs = (uint8_t)(f->standing[c] ^ f->told[c]);
        if (differs == 0 || f->quiet[c] > 0) {
            continue;
        }
        uint8_t place = 0;
        while (!(differs & (1u << place))) {
            place++;
        }
        *code = c;
        *channel = place == POD_PLACE_BIT ? KN_WHOLE_POD : place;
        *present = (f->standing[c] & (1u << place)) != 0;
        return 1;
    }
    return 0;
}

void kn_faults_told(kn_faults *f, uint8_t code, uint8_t channel)
{
    uint8_t place = channel == KN_WHOLE_POD ? POD_PLACE_BIT : channel;
    f->told[code] = (uint8_t)(f->told[code] ^ (1u << place));
    /* Rows that differ as well are told first; only then the code keeps quiet. */
    if (f->told[code] == f->standing[code]) {
        f->quiet[code] = TOLD_AGAIN;
    }
}

uint32_t kn_faults_bits(const kn_faults *f)
{
    uint32_t bits = 0;
    for (uint8_t code = 0; code < KN_FAULT_CODES; code++) {
        if (f->standing[code]) {
            bits |= (uint32_t)1 << code;
        }
    }
    return bits;
}
