/* Takes a driver through its lists of steps against a simulated chip. Define DRIVER(function), the
 * driver's name with what follows it, and CHANNELS, the numbers of a reading; then include this. */
#include "check.h"
#include "chip.h"
#include "errors.h"

static DRIVER() driver;

static void carry_out(sim_chip *chip, kn_transfer *t)
{
    if (t->address == 0) {
        chip->now_ms += driver.procedure.wait_ms;
    } else {
        chip->now_ms += 1;
        sim_chip_transfer(chip, t);
    }
}

static int8_t set_up(sim_chip *chip, uint16_t raw_rate_hz)
{
    kn_transfer t = {.status = KN_E_BUS}; /* nothing of it is meaningful at the first call */
    int8_t result;
    DRIVER(_reset)(&driver);
    while ((result = DRIVER(_setup)(&driver, raw_rate_hz, &t)) == KN_PENDING) {
        carry_out(chip, &t);
    }
    return result;
}

static int8_t self_test(sim_chip *chip)
{
    kn_transfer t = {.status = KN_E_BUS};
    int8_t result;
    DRIVER(_self_test_begin)(&driver);
    while ((result = DRIVER(_self_test)(&driver, &t)) == KN_PENDING) {
        carry_out(chip, &t);
    }
    return result;
}

static int8_t reading(sim_chip *chip, int32_t value[CHANNELS])
{
    kn_transfer t = {0};
    DRIVER(_read)(&driver, &t);
    sim_chip_transfer(chip, &t);
    if (t.status != KN_OK) {
        return t.status;
    }
    DRIVER(_finish)(&driver);
    return DRIVER(_decode)(&driver, value);
}
