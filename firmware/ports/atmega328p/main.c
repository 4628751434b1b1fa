/* The pod on an ATmega328P at 16 MHz and 5 V. */
#include "board.h"
#include "flash.h"

#include <avr/sleep.h>

kn_pod kn_board_pod;

static const char hardware[] KN_FLASH = "atmega328p";

uint8_t kn_board_lock(void *self)
{
    (void)self;
    return kn_irq_off();
}

void kn_board_unlock(void *self, uint8_t state)
{
    (void)self;
    kn_irq_restore(state);
}

kn_port kn_board_port = {
    .tick_hz = F_CPU / KN_CLOCK_PRESCALER,
    .hardware = hardware,
    .supply_low_mv = 4500,
    .lock = kn_board_lock,
    .unlock = kn_board_unlock,
    .now = kn_clock_now,
    .due_at = kn_clock_due_at,
    .due_off = kn_clock_due_off,
    .due_wait = kn_clock_due_wait,
    .bus_start = kn_bus_start,
    .bus_recover = kn_bus_recover,
    .analog_start = kn_analog_start,
    .analog_connected = kn_analog_connected,
    .supply_start = kn_analog_supply_start,
    .caliper_listen = kn_edges_listen,
    .transmit_room = kn_serial_room,
    .transmit = kn_serial_transmit,
    .receive = kn_serial_receive,
    .set_baud = kn_serial_set_baud,
    .keep_read = kn_keep_read,
    .keep_write = kn_keep_write,
    .keep_busy = kn_keep_busy,
    .light = kn_panel_light,
    .tone = kn_panel_tone,
    .button = kn_panel_button,
    .alive = kn_watchdog_alive,
};

/* An interrupt between the last look and the sleep instruction leaves KN_WAKE set; the one
 * after sei() is served only when the processor already sleeps, and so wakes it. Interrupts that
 * leave the main loop nothing to do let it sleep on. */
static void sleep_until_woken(void)
{
    cli();
    while (!(GPIOR0 & KN_WAKE)) {
        SMCR = 1 << SE; /* idle: timers and serial line go on */
        sei();
        sleep_cpu();
        SMCR = 0;
        cli();
    }
    sei();
}

/* It has no caller whose registers it would have to keep. */
int main(void) __attribute__((OS_main));

int main(void)
{
    kn_board_port.reset_cause = kn_watchdog_open();
    kn_panel_open();
    kn_clock_open();
    kn_bus_open();
    kn_serial_open();
    kn_analog_open();
    kn_edges_open();
    sei();
    kn_pod_start(&kn_board_pod, &kn_board_port);
    for (;;) {
        kn_clear(&GPIOR0, KN_WAKE);
        kn_analog_step();
        if (kn_pod_step(&kn_board_pod) == 0) {
            sleep_until_woken();
        }
    }
}
