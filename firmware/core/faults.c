#include "faults.h"

#include "flash.h"
#include "once.h"

#include <string.h>

#define TENTH_MS 100
#define SOON_GONE 11 /* tenths of a second, the one under way included */
#define LONG_GONE 51
#define TENTHS 10
#define POD_PLACE_BIT 7

void kn_faults_set(kn_faults *f, uint8_t code, uint8_t places)
{
    f->standing[code] = places;
}

KN_ONCE void kn_faults_raise(kn_faults *f, uint8_t code, uint8_t places)
{
    f->standing[code] = (uint8_t)(f->standing[code] | places);
}

KN_ONCE void kn_faults_clear(kn_faults *f, uint8_t code, uint8_t places)
{
    f->standing[code] = (uint8_t)(f->standing[code] & ~places);
}

/* What is known of a passing fault: its code, where it stands, how long, in tenths of a second
 * with the one under way. */
typedef struct passing {
    uint8_t code;
    uint8_t place;
    uint8_t tenths;
} passing;

static const passing table[KN_PASSING] KN_FLASH = {
    [KN_PASSING_BUS] = {KN_FAULT_BUS, KN_POD_PLACE, SOON_GONE},
    [KN_PASSING_OVERRUN] = {KN_FAULT_OVERRUN, KN_POD_PLACE, LONG_GONE},
    [KN_PASSING_DROPPED] = {KN_FAULT_DROPPED, KN_POD_PLACE, LONG_GONE},
};

KN_ONCE void kn_faults_happened(kn_faults *f, uint8_t which)
{
    passing p;
    kn_flash_copy(&p, &table[which], sizeof p);
    kn_faults_raise(f, p.code, p.place);
    f->left[which] = p.tenths;
}

void kn_faults_forget_rows(kn_faults *f)
{
    for (uint8_t code = 0; code < KN_FAULT_CODES; code++) {
        f->standing[code] &= KN_POD_PLACE;
    }
}

void kn_faults_tell_again(kn_faults *f)
{
    memset(f->told, 0, sizeof f->told);
    f->quiet = 0;
}

static void pass_tenth(kn_faults *f)
{
    for (uint8_t which = 0; which < KN_PASSING; which++) {
        if (f->left[which] > 0 && --f->left[which] == 0) {
            passing p;
            kn_flash_copy(&p, &table[which], sizeof p);
            kn_faults_clear(f, p.code, p.place);
        }
    }
    if (++f->tenths == TENTHS) {
        f->tenths = 0;
        f->quiet = 0;
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
    uint16_t quiet = f->quiet;
    for (uint8_t c = 0; c < KN_FAULT_CODES; c++, quiet >>= 1) {
        uint8_t differs = (uint8_t)(f->standing[c] ^ f->told[c]);
        if (differs == 0 || (quiet & 1)) {
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
        f->quiet = (uint16_t)(f->quiet | 1u << code);
    }
}

uint16_t kn_faults_bits(const kn_faults *f)
{
    uint16_t bits = 0;
    for (uint8_t code = KN_FAULT_CODES; code > 0; code--) {
        bits = (uint16_t)(bits << 1);
        if (f->standing[code - 1]) {
            bits |= 1;
        }
    }
    return bits;
}
