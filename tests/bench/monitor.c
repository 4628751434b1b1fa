/* For the tests of the bench: does to the chip's registers and to the sensor bus what it is told.
 *
 * r LOW HIGH            -> the byte at that address
 * w LOW HIGH VALUE      -> 'w'
 * x ADDRESS OUT IN ...  -> statuses of the transfer's bytes, then what was read
 * e LOW HIGH VALUE      -> 'e', once the EEPROM has begun to write
 * d                     -> 'd'; the watchdog (16 ms) is fed from then on, by the main loop
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <stdint.h>

#include "pins.h"

uint8_t start_flags;
uint8_t start_ram[4] __attribute__((section(".noinit")));
volatile uint8_t edges;
volatile uint32_t word;
static uint8_t fed;

ISR(INT0_vect)
{
    edges++;
    word = word >> 1 | (!(PIND & _BV(PD3)) == KN_CALIPER_INVERTED ? 0x800000ul : 0);
}

static uint8_t get(void)
{
    while (!(UCSR0A & _BV(RXC0))) {
        if (fed) {
            wdt_reset();
        }
    }
    return UDR0;
}

static void put(uint8_t byte)
{
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = byte;
}

static uint16_t address(void)
{
    uint16_t low = get();
    return (uint16_t)(low | (uint16_t)get() << 8);
}

static uint8_t bus(uint8_t control)
{
    TWCR = (uint8_t)(control | _BV(TWINT) | _BV(TWEN));
    for (uint16_t wait = 0; !(TWCR & _BV(TWINT)); wait++) {
        if (wait == 2000) {
            TWCR = 0;
            return 0xFF;
        }
    }
    return TWSR & 0xF8;
}

static uint8_t bus_send(uint8_t byte)
{
    TWDR = byte;
    return bus(0);
}

static void transfer(void)
{
    uint8_t device = get(), out = get(), in = get();
    put(bus(_BV(TWSTA)));
    put(bus_send((uint8_t)(device << 1)));
    while (out--) {
        put(bus_send(get()));
    }
    if (in) {
        put(bus(_BV(TWSTA)));
        put(bus_send((uint8_t)(device << 1 | 1)));
    }
    while (in--) {
        bus(in ? _BV(TWEA) : 0);
        put(TWDR);
    }
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
}

int main(void)
{
    start_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
    UCSR0A = _BV(U2X0);
    UBRR0L = 16;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    TWBR = 12;
    TWCR = _BV(TWEN);
    EICRA = KN_CALIPER_INVERTED ? _BV(ISC01) : _BV(ISC01) | _BV(ISC00);
    EIMSK = _BV(INT0);
    sei();
    for (;;) {
        uint8_t command = get();
        if (command == 'r') {
            put(*(volatile uint8_t *)address());
        } else if (command == 'w') {
            uint16_t at = address();
            *(volatile uint8_t *)at = get();
            put('w');
        } else if (command == 'x') {
            transfer();
        } else if (command == 'e') {
            EEAR = address();
            EEDR = get();
            cli();
            EECR = _BV(EEMPE);
            EECR = _BV(EEMPE) | _BV(EEPE);
            sei();
            put('e');
        } else if (command == 'd') {
            wdt_enable(WDTO_15MS);
            fed = 1;
            put('d');
        }
    }
}
