#include "line.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chip.h"

#define UCSR0A 0xC0
#define UCSR0B 0xC1
#define UCSR0C 0xC2
#define UBRR0L 0xC4
#define UBRR0H 0xC5
#define UDR0 0xC6
#define RXEN 0x10
#define QUEUE 65536u /* bytes under way in each direction; a power of two */
#define DEEP 3u      /* two in the receiver's buffer and one in its shift register */
#define BITS 10u     /* start, eight, stop */

uint64_t line_sent, line_received, line_overruns, line_garbled;

static avr_uart_t *uart;
static uint32_t computer_baud;
static struct {
    uint8_t byte[QUEUE];
    uint64_t at[QUEUE];
    size_t first, end;
} to_pod, from_pod;
static avr_cycle_count_t free_at; /* the line from the pod */
static int computer = -1;

static uint32_t bit_cycles(void)
{
    uint32_t count = chip->data[UBRR0L] | (uint32_t)(chip->data[UBRR0H] & 0x0F) << 8;
    return (chip->data[UCSR0A] & 2 ? 8u : 16u) * (count + 1u);
}

uint32_t line_byte_cycles(void)
{
    return BITS * bit_cycles();
}

static avr_cycle_count_t computer_byte_cycles(void)
{
    return computer_baud ? (avr_cycle_count_t)CLOCK_HZ * BITS / computer_baud : line_byte_cycles();
}

/* More than about 4.5 % apart (half a bit in the last of ten), every byte is garbage. */
static uint8_t as_heard(uint8_t byte)
{
    double ratio = (double)computer_byte_cycles() / line_byte_cycles();
    if (ratio > 0.955 && ratio < 1.045) {
        return byte;
    }
    line_garbled++;
    return (uint8_t)(byte * 29u ^ 0xA5u);
}

static void put(uint8_t byte, avr_cycle_count_t at)
{
    from_pod.byte[from_pod.end % QUEUE] = byte;
    from_pod.at[from_pod.end++ % QUEUE] = at;
    if (from_pod.end - from_pod.first > QUEUE) { /* nobody reads: the oldest are lost */
        from_pod.first++;
    }
}

static void transmitted(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    free_at = (free_at > chip->cycle ? free_at : chip->cycle) + line_byte_cycles();
    put(as_heard((uint8_t)value), free_at);
    line_sent++;
}

static void rate_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr, (void)param;
    pass_write(address, value);
    if (address == UBRR0L ? remedy_on(REMEDY_UART_BITS)
                          : remedy_on(REMEDY_UART_BAUD) && remedy_on(REMEDY_UART_BITS)) {
        uart->cycles_per_byte = line_byte_cycles();
    }
}

static unsigned held(void)
{
    return (unsigned)(uart->input.write - uart->input.read) % 64u;
}

/* One byte of the computer's has been received to its last bit. */
static avr_cycle_count_t deliver(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    uint8_t byte = as_heard(to_pod.byte[to_pod.first++ % QUEUE]);
    if (!(avr->data[UCSR0B] & RXEN)) {
        ; /* nobody listens */
    } else if (remedy_on(REMEDY_UART_DEPTH) && held() >= DEEP) {
        line_overruns++;
    } else {
        avr_cycle_count_t own = uart->cycles_per_byte;
        uart->cycles_per_byte = remedy_on(REMEDY_UART_DEPTH) ? 1 : own; /* it is complete already */
        avr_raise_irq(uart->io.irq + UART_IRQ_INPUT, byte);
        uart->cycles_per_byte = own;
        line_received++;
    }
    return to_pod.first == to_pod.end ? 0 : when + computer_byte_cycles();
}

/* The emulator tells of a second byte in the buffer only a byte-time later. */
static uint8_t data_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    uint8_t byte = pass_read(address);
    if (remedy_on(REMEDY_UART_DEPTH) && held() && (avr->data[UCSR0B] & RXEN)) {
        avr_raise_interrupt(avr, &uart->rxc);
    }
    return byte;
}

void line_open(void)
{
    uart = chip_peripheral("uart");
    uint32_t no_flags = 0;
    avr_ioctl(chip, AVR_IOCTL_UART_SET_FLAGS('0'), &no_flags);
    avr_irq_register_notify(uart->io.irq + UART_IRQ_OUTPUT, transmitted, NULL);
    hook_write(UBRR0L, rate_written);
    hook_write(UBRR0H, rate_written);
    hook_write(UCSR0A, rate_written);
    hook_read(UDR0, data_read);
}

void line_after_reset(void)
{
    free_at = chip->cycle;
    if (to_pod.first != to_pod.end) {
        avr_cycle_timer_register(chip, computer_byte_cycles(), deliver, NULL);
    }
}

void line_power_lost(void)
{
    while (from_pod.end > from_pod.first && from_pod.at[(from_pod.end - 1) % QUEUE] > chip->cycle) {
        from_pod.end--; /* what was still in the transmitter */
    }
    to_pod.first = to_pod.end;
}

void line_set_baud(uint32_t baud)
{
    computer_baud = baud;
}

void line_to_pod(const uint8_t *data, size_t length)
{
    if (!chip_powered) {
        return;
    }
    for (size_t i = 0; i < length && to_pod.end - to_pod.first < QUEUE; i++) {
        to_pod.byte[to_pod.end++ % QUEUE] = data[i];
    }
    if (length && avr_cycle_timer_status(chip, deliver, NULL) == 0) {
        avr_cycle_timer_register(chip, computer_byte_cycles(), deliver, NULL);
    }
}

size_t line_waiting(void)
{
    return to_pod.end - to_pod.first;
}

size_t line_from_pod(uint8_t *into, size_t size)
{
    size_t count = 0;
    while (count < size && from_pod.first < from_pod.end &&
           from_pod.at[from_pod.first % QUEUE] <= chip->cycle) {
        into[count++] = from_pod.byte[from_pod.first++ % QUEUE];
    }
    return count;
}

void line_attach(int descriptor)
{
    computer = descriptor;
}

void line_exchange(void)
{
    uint8_t piece[512];
    if (computer < 0) {
        return;
    }
    size_t count = line_from_pod(piece, sizeof piece);
    if (count && write(computer, piece, count) < 0) {
        ; /* nobody has it open: lost, as on a cable that leads nowhere */
    }
    ssize_t got = read(computer, piece, sizeof piece);
    if (got > 0) {
        line_to_pod(piece, (size_t)got);
    }
}
