/* The serial line: rings in both directions, one interrupt a byte, 8N1. */
#include "board.h"
#include "pin_access.h"

#include <avr/pgmspace.h>

enum {
    SEND_SIZE = 320, /* of which the longest frame takes 253: port.h */
    TAKE_SIZE = 64,  /* a power of two: 5.5 ms at 115200 baud */
    TAKE_MASK = TAKE_SIZE - 1
};

static uint8_t send_ring[SEND_SIZE];
static uint16_t send_head; /* the main loop's */
static uint16_t send_tail; /* the interrupt's */
static volatile uint16_t send_used;

static uint8_t take_ring[TAKE_SIZE];
static volatile uint8_t take_head; /* the interrupt's */
static volatile uint8_t take_tail; /* the main loop's */

/* Rates with their divisors for the doubled-speed line clock, F_CPU / 8 / (divisor + 1): all
 * within 2.2 %. */
static const struct {
    uint16_t baud_100;
    uint8_t divisor;
} rates[] PROGMEM = {{1152, 16}, {576, 34}, {384, 51}, {192, 103}, {96, 207}};
enum { FASTEST_DIVISOR = 16 };
_Static_assert(F_CPU == 16000000UL, "the divisors are for 16 MHz");

/* 0 if there is none. */
static uint8_t divisor_for(uint32_t baud)
{
    for (uint8_t i = 0; i < sizeof rates / sizeof rates[0]; i++) {
        if (baud == pgm_read_word(&rates[i].baud_100) * 100ul) {
            return pgm_read_byte(&rates[i].divisor);
        }
    }
    return 0;
}

void kn_serial_open(void)
{
    kn_set(kn_port_RXD(), KN_BIT_RXD); /* an open input would bring noise as bytes */
    UCSR0A = 1 << U2X0;
    UBRR0H = 0; /* a bootloader may have left another */
    UBRR0L = FASTEST_DIVISOR;
    UCSR0C = (1 << UCSZ01) | (1 << UCSZ00);
    UCSR0B = (1 << RXCIE0) | (1 << RXEN0) | (1 << TXEN0);
}

int8_t kn_serial_set_baud(void *self, uint32_t baud)
{
    (void)self;
    const uint8_t divisor = divisor_for(baud);
    if (divisor == 0) {
        return KN_E_VALUE;
    }
    UBRR0L = divisor;
    return KN_OK;
}

size_t kn_serial_room(void *self)
{
    (void)self;
    const uint8_t before = kn_irq_off();
    const uint16_t used = send_used;
    kn_irq_restore(before);
    return (size_t)(SEND_SIZE - used);
}

void kn_serial_transmit(void *self, const uint8_t *data, size_t length)
{
    (void)self;
    for (size_t i = 0; i < length; i++) {
        send_ring[send_head] = data[i];
        send_head = send_head + 1 < SEND_SIZE ? (uint16_t)(send_head + 1) : 0;
    }
    if (length != 0) {
        const uint8_t before = kn_irq_off();
        send_used = (uint16_t)(send_used + length);
        kn_set(&UCSR0B, 1 << UDRIE0);
        kn_irq_restore(before);
    }
}

size_t kn_serial_receive(void *self, uint8_t *into, size_t size)
{
    (void)self;
    size_t count = 0;
    uint8_t tail = take_tail;
    while (count < size && tail != take_head) {
        into[count++] = take_ring[tail];
        tail = (uint8_t)((tail + 1) & TAKE_MASK);
    }
    /* The compiler must not put off the reading of bytes until their place is given back. */
    __asm__ __volatile__("" ::: "memory");
    take_tail = tail;
    return count;
}

ISR(USART_UDRE_vect)
{
    const uint16_t used = send_used;
    if (used == 0) {
        kn_clear(&UCSR0B, 1 << UDRIE0);
        return;
    }
    UDR0 = send_ring[send_tail];
    send_tail = send_tail + 1 < SEND_SIZE ? (uint16_t)(send_tail + 1) : 0;
    send_used = (uint16_t)(used - 1);
}

ISR(USART_RX_vect)
{
    const uint8_t status = UCSR0A; /* of the byte that is read next */
    const uint8_t byte = UDR0;
    const uint8_t next = (uint8_t)((take_head + 1) & TAKE_MASK);
    if (!(status & (1 << FE0)) && next != take_tail) {
        take_ring[take_head] = byte;
        take_head = next;
    }
    kn_wake();
}
