/* Asks the chip it runs on what its data sheet states, and tells the answers in lines of text.
 * One letter on the line (115200 baud) asks for one group; "." ends the answer. What is wrong
 * with an emulator shows here, whatever firmware will run on it. */
#include <avr/io.h>
#include <stdint.h>

#define IMU 0x68
#define NOBODY 0x11
#define WHO_AM_I 0x75

static void put(char c)
{
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = (uint8_t)c;
}

static void line(const char *name, uint32_t value)
{
    char digits[10];
    uint8_t count = 0;
    while (*name) {
        put(*name++);
    }
    put(' ');
    do {
        digits[count++] = (char)('0' + value % 10);
        value /= 10;
    } while (value);
    while (count) {
        put(digits[--count]);
    }
    put('\n');
}

/* Timer 1 counts cycles; with its overflow it reaches 131071. */
static void clock_start(void)
{
    TCCR1B = 0;
    TCNT1 = 0;
    TIFR1 = _BV(TOV1);
    TCCR1B = _BV(CS10);
}

static uint32_t clock_stop(void)
{
    uint16_t count = TCNT1;
    return count + (TIFR1 & _BV(TOV1) ? 65536ul : 0ul);
}

static uint8_t bus(uint8_t control)
{
    TWCR = (uint8_t)(control | _BV(TWINT) | _BV(TWEN));
    for (uint16_t wait = 0; !(TWCR & _BV(TWINT)); wait++) {
        if (wait == 10000) {
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

static void bus_stop(void)
{
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    for (uint8_t wait = 0; wait < 100; wait++) {
        __asm__ volatile("nop");
    }
}

static void statuses(void)
{
    line("start", bus(_BV(TWSTA)));
    line("address_write", bus_send(IMU << 1));
    line("data_write", bus_send(WHO_AM_I));
    line("start_again", bus(_BV(TWSTA)));
    line("address_read", bus_send(IMU << 1 | 1));
    line("data_read_last", bus(0));
    line("identity", TWDR);
    bus_stop();
    bus(_BV(TWSTA));
    bus_send(IMU << 1);
    bus_send(WHO_AM_I);
    bus(_BV(TWSTA));
    bus_send(IMU << 1 | 1);
    line("data_read", bus(_BV(TWEA)));
    (void)TWDR;
    bus(0);
    bus_stop();
    bus(_BV(TWSTA));
    line("nobody_write", bus_send(NOBODY << 1));
    bus_stop();
    bus(_BV(TWSTA));
    line("nobody_read", bus_send(NOBODY << 1 | 1));
    bus_stop();
}

/* The next data byte is not acknowledged: the bench has been told so. */
static void refusal(void)
{
    bus(_BV(TWSTA));
    bus_send(IMU << 1);
    line("data_refused", bus_send(WHO_AM_I));
    bus_stop();
}

static void bus_times(uint8_t rate, const char *name)
{
    TWBR = rate;
    bus(_BV(TWSTA));
    TWDR = IMU << 1;
    clock_start();
    TWCR = _BV(TWINT) | _BV(TWEN);
    line("under_way", TWCR & _BV(TWINT) ? 0 : 1);
    while (!(TWCR & _BV(TWINT))) {
    }
    bus_stop();
    bus(_BV(TWSTA));
    TWDR = IMU << 1;
    clock_start();
    TWCR = _BV(TWINT) | _BV(TWEN);
    while (!(TWCR & _BV(TWINT))) {
    }
    line(name, clock_stop());
    bus_stop();
    TWBR = 12;
}

static uint32_t byte_cycles(void)
{
    put('#');
    put('#');
    put('#');
    clock_start();
    put('#');
    uint32_t cycles = clock_stop();
    put('\n');
    return cycles;
}

static void line_times(void)
{
    line("byte_cycles", byte_cycles());
    UCSR0A = 0;
    UBRR0L = 16;
    UCSR0A = _BV(U2X0); /* the rate follows at once, whatever was written last */
    line("byte_cycles_u2x_last", byte_cycles());
}

/* Bytes came in while nobody read them. */
static void depth(void)
{
    uint8_t count = 0;
    for (uint32_t wait = 0; wait < 200000; wait++) {
        __asm__ volatile("nop");
    }
    clock_start();
    while (clock_stop() < 1000) {
        if (UCSR0A & _BV(RXC0)) {
            (void)UDR0;
            count++;
        }
    }
    line("receiver_holds", count);
}

static void memory(void)
{
    EEAR = 5;
    EEDR = 0xA5;
    EECR = _BV(EEMPE);
    EECR = _BV(EEMPE) | _BV(EEPE);
    clock_start();
    while (EECR & _BV(EEPE)) {
    }
    line("memory_cycles", clock_stop());
    EECR = _BV(EERE);
    line("memory_value", EEDR);
}

static void analog(void)
{
    ADMUX = _BV(REFS0);
    ADCSRA = _BV(ADEN) | _BV(ADSC) | 7;
    while (ADCSRA & _BV(ADSC)) {
    }
    clock_start();
    ADCSRA = _BV(ADEN) | _BV(ADSC) | 7;
    while (ADCSRA & _BV(ADSC)) {
    }
    line("analog_cycles", clock_stop());
    line("analog_value", ADC);
    ADMUX = _BV(REFS0) | 14;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | 7;
    while (ADCSRA & _BV(ADSC)) {
    }
    line("band_gap_value", ADC);
}

/* Taking one flag of a timer back leaves the others. */
static void flags(void)
{
    OCR1A = 100;
    clock_start();
    while (!(TIFR1 & _BV(TOV1))) {
    }
    TIFR1 = _BV(OCF1B);
    line("flags_kept", (TIFR1 & (_BV(TOV1) | _BV(OCF1A))) == (_BV(TOV1) | _BV(OCF1A)));
    TIFR1 = _BV(OCF1A);
    line("flag_cleared", !(TIFR1 & _BV(OCF1A)));
}

int main(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0H = 0;
    UBRR0L = 16;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    TWBR = 12;
    TWCR = _BV(TWEN);
    for (;;) {
        if (!(UCSR0A & _BV(RXC0))) {
            continue;
        }
        switch (UDR0) {
        case 's':
            statuses();
            break;
        case 'n':
            refusal();
            break;
        case 't':
            bus_times(12, "bus_400k_cycles");
            bus_times(72, "bus_100k_cycles");
            break;
        case 'u':
            line_times();
            break;
        case 'd':
            depth();
            break;
        case 'e':
            memory();
            break;
        case 'f':
            flags();
            break;
        case 'a':
            analog();
            break;
        default:
            continue;
        }
        put('.');
        put('\n');
    }
}
