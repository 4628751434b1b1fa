/* The sensor bus: the TWI's remedies, the devices on it, and what can be wrong with it. */
#ifndef BENCH_BUS_H
#define BENCH_BUS_H

#include <stdbool.h>
#include <stdint.h>

typedef struct bus_device {
    uint8_t address; /* 7 bit */
    bool present;
    uint32_t nacks;           /* that many more data bytes are not acknowledged */
    void (*begin)(bool read); /* addressed and acknowledged */
    bool (*write)(uint8_t value);
    uint8_t (*read)(void);
    void (*power)(void); /* as after power on */
} bus_device;

#define BUS_FOR_GOOD (-1)

void bus_open(void);
void bus_after_reset(void);
void bus_power_lost(void);

/* Hold SDA low until `pulses` rising edges of SCL have passed, or BUS_FOR_GOOD; 0 lets go. */
void bus_hold_sda(int32_t pulses);
/* Hold SCL low, or let go. */
void bus_hold_scl(bool held);
bool bus_sda_held(void);
bool bus_scl_held(void);
/* SCL has risen, driven as a plain pin. */
void bus_scl_rose(void);

#endif
