/* A linear potentiometer or draw-wire on an analog input: its wiper against the supply, so the
 * supply's value drops out. */
#ifndef KN_POTENTIOMETER_H
#define KN_POTENTIOMETER_H

#include "channel.h"
#include "flash.h"

enum {
    KN_POTENTIOMETER_INPUT = 0,        /* as the port numbers its analog inputs */
    KN_POTENTIOMETER_CONVERSIONS = 16, /* in one raw reading; 10 bits each */
    KN_POTENTIOMETER_LARGEST = 16 * 1023
};

/* Row of the channel table. Its scale takes the whole travel to be 100 mm: nominal only, the
 * host calibrates it against known lengths. */
extern const kn_channel kn_potentiometer_channel KN_FLASH;

#endif
