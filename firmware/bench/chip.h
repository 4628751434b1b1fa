/* The emulated ATmega328P: one for each process, its remedies, its power and its time. */
#ifndef BENCH_CHIP_H
#define BENCH_CHIP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "avr_adc.h"
#include "avr_eeprom.h"
#include "avr_ioport.h"
#include "avr_twi.h"
#include "avr_uart.h"
#include "avr_watchdog.h"
#include "sim_avr.h"
#include "sim_elf.h"

#define CLOCK_HZ 16000000u
#define CYCLES_PER_US 16u
#define RAM_START 0x100u
#define RAM_END 0x8FFu

/* Faults of the emulator that the bench makes good; each can be left out by name. */
enum remedy {
    REMEDY_TWI_WRITE_STATUS, /* SLA+W reads 28/30 instead of 18/20 */
    REMEDY_TWI_TWINT,        /* TWINT stays set while a byte is under way */
    REMEDY_TWI_TIME,         /* TWBR is ignored: every byte takes 9 us, a START no time */
    REMEDY_UART_BITS,        /* 11 bits a byte are counted */
    REMEDY_UART_BAUD,        /* the rate is only computed when UBRR0L is written */
    REMEDY_UART_DEPTH,       /* the receiver holds 64 bytes instead of two */
    REMEDY_EEPROM_TIME,      /* a write is done at once */
    REMEDY_TIMER_FLAGS,      /* a write to TIFR clears all flags, not those written as 1 */
    REMEDY_ADC_SCALE,        /* 1023 steps of whole millivolts, taken when ADCL is read */
    REMEDY_COUNT
};

typedef enum cause { CAUSE_POWER, CAUSE_EXTERNAL, CAUSE_BROWN_OUT, CAUSE_WATCHDOG } cause;

extern avr_t *chip;
extern bool chip_powered;
extern uint32_t chip_supply_mv;

/* Load a program; false with a line on stderr if that fails. */
bool chip_open(const char *elf, uint32_t seed);

bool remedy_on(enum remedy which);
/* False if there is none of that name. */
bool remedy_leave_out(const char *name);
const char *remedy_name(enum remedy which);

/* Run until the cycle counter reaches `cycle` (or passes it by the last instruction). */
void chip_run_to(avr_cycle_count_t cycle);
/* "running", "sleeping", "stopped" (asleep with interrupts off), "crashed" or "off". */
const char *chip_state(void);

void chip_reset(cause why);
void chip_power_off(void);
void chip_power_on(void);

/* Let the program hang at its next instruction outside interrupts; with `deaf` no interrupt is
 * served any more either. A reset ends it. */
void chip_hang(bool deaf);
bool chip_hangs(void);

/* First address after the program's static data. */
uint16_t chip_static_end(void);
/* Lowest address above static data that has changed since power came. */
uint16_t chip_stack_reached(void);
/* Address of a symbol of the program (data: from 0x800000), or -1. */
int32_t chip_symbol(const char *name);

/* Pseudo-random numbers, the same for the same seed. */
uint32_t chip_random(void);

/* The emulator's own peripheral of a kind, "twi" for example. */
void *chip_peripheral(const char *kind);

/* Put a function before the emulator's own handler of a register; it calls pass_write() or
 * pass_read() to let that act. */
void hook_write(uint16_t address, avr_io_write_t hook);
void hook_read(uint16_t address, avr_io_read_t hook);
void pass_write(uint16_t address, uint8_t value);
uint8_t pass_read(uint16_t address);

#endif
