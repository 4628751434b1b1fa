#include <string.h>

#include "chip.h"

static const char *const names[REMEDY_COUNT] = {
    "twi-write-status", "twi-twint",  "twi-time",    "uart-bits",
    "uart-baud",        "uart-depth", "eeprom-time", "timer-flags",
    "adc-scale",
};
static bool left_out[REMEDY_COUNT];

bool remedy_on(enum remedy which)
{
    return !left_out[which];
}

const char *remedy_name(enum remedy which)
{
    return names[which];
}

bool remedy_leave_out(const char *name)
{
    for (unsigned which = 0; which < REMEDY_COUNT; which++) {
        if (strcmp(names[which], name) == 0) {
            left_out[which] = true;
            return true;
        }
    }
    return false;
}
