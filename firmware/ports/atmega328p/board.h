/* What the files of this port know of each other.
 *
 * The functions are those of kn_port (core/port.h), where their contracts stand; here is only
 * what is particular to the board. Interrupts never nest: no handler lets others in.
 */
#ifndef KN_BOARD_H
#define KN_BOARD_H

#include "errors.h"
#include "pod.h"
#include "port.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#ifndef F_CPU
#error "F_CPU is given by the Makefile"
#endif

extern kn_pod kn_board_pod;
extern kn_port kn_board_port;

/* A call in an interrupt makes it save every register, so these must never become one. */
#define KN_INLINE static inline __attribute__((always_inline))

/* Interrupts off, and back to what they were. */
KN_INLINE uint8_t kn_irq_off(void)
{
    const uint8_t before = SREG;
    cli();
    return before;
}

KN_INLINE void kn_irq_restore(uint8_t before)
{
    __asm__ __volatile__("" ::: "memory");
    SREG = before;
}

/* avr-libc's usual `REG |= bit` and `REG &= ~bit` are int arithmetic, at which -Wconversion warns. */
KN_INLINE void kn_set(volatile uint8_t *reg, uint8_t bits)
{
    *reg = (uint8_t)(*reg | bits);
}

KN_INLINE void kn_clear(volatile uint8_t *reg, uint8_t bits)
{
    *reg = (uint8_t)(*reg & (uint8_t)~bits);
}

/* Something happened that the main loop must look at before it sleeps. The flag lives in a
 * register that one instruction sets, so that an interrupt needs nothing else for it. */
enum { KN_WAKE = 0x01 };
KN_INLINE void kn_wake(void)
{
    GPIOR0 |= KN_WAKE;
}

/* main.c: the interrupts' lock. */
uint8_t kn_board_lock(void *self);
void kn_board_unlock(void *self, uint8_t state);

/* clock.c: timer 1 counts 4 us ticks; timer 2 wakes the main loop every 1.024 ms. */
enum { KN_CLOCK_PRESCALER = 64 };
void kn_clock_open(void);
uint32_t kn_clock_now(void *self);
void kn_clock_due_at(void *self, uint32_t tick);
void kn_clock_due_off(void *self);
uint32_t kn_clock_due_wait(void *self);

/* bus.c: 400 kHz. */
void kn_bus_open(void);
int8_t kn_bus_start(void *self, kn_transfer *transfer);
int8_t kn_bus_recover(void *self);

/* serial.c */
void kn_serial_open(void);
size_t kn_serial_room(void *self);
void kn_serial_transmit(void *self, const uint8_t *data, size_t length);
size_t kn_serial_receive(void *self, uint8_t *into, size_t size);
int8_t kn_serial_set_baud(void *self, uint32_t baud);

/* analog.c: input 0 is the potentiometer, there is no other. A reading goes before a
 * measurement of the supply, which then begins anew. */
void kn_analog_open(void);
int8_t kn_analog_start(void *self, uint8_t input, uint8_t conversions);
uint8_t kn_analog_connected(void *self, uint8_t input);
int8_t kn_analog_supply_start(void *self);
/* From the main loop: hands a finished measurement of the supply on (its division would take
 * an interrupt longer than the sampling may wait). */
void kn_analog_step(void);

/* keep.c: the EEPROM. */
void kn_keep_read(void *self, uint16_t at, uint8_t *into, uint16_t length);
int8_t kn_keep_write(void *self, uint16_t at, uint8_t value);
uint8_t kn_keep_busy(void *self);

/* panel.c */
void kn_panel_open(void);
void kn_panel_light(void *self, uint8_t on);
void kn_panel_tone(void *self, uint16_t hz);
uint8_t kn_panel_button(void *self);

/* edges.c: the caliper's clock. */
void kn_edges_open(void);
void kn_edges_listen(void *self);

/* watchdog.c: bites after 0.5 s without kn_watchdog_alive(). */
uint8_t kn_watchdog_open(void); /* returns enum kn_reset_cause */
void kn_watchdog_alive(void *self);
extern volatile uint16_t kn_watchdog_silence; /* turns of timer 2 since then */

#endif
