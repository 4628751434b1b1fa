/* For the tests of links: sends the bytes it was built with, one piece each 0.1 s, and keeps
 * what it receives. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <stdint.h>

#include "pieces.h" /* piece[], piece_end[], PIECES */

uint8_t received[1024];
uint16_t received_count;

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0;
    if (received_count < sizeof received) {
        received[received_count++] = byte;
    }
}

static volatile uint16_t at, end;

ISR(USART_UDRE_vect)
{
    if (at == end) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    } else {
        UDR0 = pgm_read_byte(&piece[at]);
        at++;
    }
}

static volatile uint8_t passed;

ISR(TIMER1_COMPA_vect)
{
    passed++;
}

int main(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0L = 16;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    OCR1A = 25000 - 1;
    TCCR1B = _BV(WGM12) | _BV(CS11) | _BV(CS10);
    TIMSK1 = _BV(OCIE1A);
    sei();
    for (;;) {
        sleep_mode();
        if (passed > 0 && passed <= PIECES) {
            end = pgm_read_word(&piece_end[passed - 1]);
            UCSR0B |= _BV(UDRIE0);
        }
    }
}
