/* Stands in for the core on the board's port, so that each function of the port can be called by
 * itself: a command is a letter and four bytes, lowest first, and so is its reply. */
#include "board.h"

static const kn_port *port;
static uint8_t command[5];
static uint8_t filled;
static uint8_t bus_in[16];
static uint8_t bus_out[2];
static kn_transfer transfer;
static volatile uint8_t edges;
static volatile uint8_t edge_bits;
static volatile uint8_t due_came;
static volatile uint32_t due_late;
static volatile uint32_t due_early;
static volatile uint8_t transfers;
static volatile uint16_t analog_sum;
static volatile uint8_t analog_came;
static volatile uint16_t supply;

static void reply(uint8_t letter, int32_t value)
{
    uint8_t out[5] = {letter, (uint8_t)value, (uint8_t)(value >> 8), (uint8_t)(value >> 16),
                      (uint8_t)(value >> 24)};
    port->transmit(port->self, out, sizeof out);
}

static int32_t carry_out(uint8_t letter, uint32_t value)
{
    uint8_t byte;
    switch (letter) {
    case 'T':
        port->tone(port->self, (uint16_t)value);
        return 0;
    case 'A':
        return port->analog_connected(port->self, (uint8_t)value);
    case 'S':
        return port->analog_start(port->self, (uint8_t)(value >> 8), (uint8_t)value);
    case 's':
        return analog_came ? (analog_came = 0, (int32_t)analog_sum) : -1;
    case 'V':
        return port->supply_start(port->self);
    case 'v':
        return supply;
    case 'W':
        return port->keep_write(port->self, (uint16_t)(value >> 8), (uint8_t)value);
    case 'w':
        return port->keep_busy(port->self);
    case 'R':
        port->keep_read(port->self, (uint16_t)value, &byte, 1);
        return byte;
    case 'X': /* address, bytes out, bytes in, register */
        transfer.address = (uint8_t)value;
        transfer.out_length = (uint8_t)(value >> 8);
        transfer.in_length = (uint8_t)(value >> 16);
        bus_out[0] = (uint8_t)(value >> 24);
        transfer.out = bus_out;
        transfer.in = bus_in;
        return port->bus_start(port->self, &transfer);
    case 'x':
        return transfer.status;
    case 'n':
        return transfers;
    case 'I':
        return bus_in[value];
    case 'G':
        return port->bus_recover(port->self);
    case 'N':
        return (int32_t)port->now(port->self);
    case 'D':
        due_came = 0;
        port->due_at(port->self, port->now(port->self) + value);
        return 0;
    case 'O':
        port->due_off(port->self);
        return 0;
    case 'd':
        return due_came ? (int32_t)due_late : -1;
    case 'a':
        return (int32_t)due_early;
    case 'L':
        port->light(port->self, (uint8_t)value);
        return 0;
    case 'P':
        return port->button(port->self);
    case 'E':
        edges = 0;
        port->caliper_listen(port->self);
        return 0;
    case 'e':
        return edges | edge_bits << 8;
    case 'C':
        return port->reset_cause;
    case 'M':
        return (int32_t)port->transmit_room(port->self);
    default:
        return -99;
    }
}

void kn_pod_start(kn_pod *pod, const kn_port *given)
{
    (void)pod;
    port = given;
}

uint8_t kn_pod_step(kn_pod *pod)
{
    (void)pod;
    port->alive(port->self);
    filled = (uint8_t)(filled +
                       port->receive(port->self, command + filled, sizeof command - filled));
    if (filled == sizeof command && port->transmit_room(port->self) >= sizeof command) {
        filled = 0;
        const uint32_t value = (uint32_t)command[1] | (uint32_t)command[2] << 8 |
                               (uint32_t)command[3] << 16 | (uint32_t)command[4] << 24;
        if (command[0] == 'B') { /* no answer: it would go at a rate that nobody awaits yet */
            transfer.status = port->set_baud(port->self, value);
        } else {
            reply(command[0], carry_out(command[0], value));
        }
    }
    return 0;
}

void kn_pod_on_due(kn_pod *pod, uint32_t tick)
{
    (void)pod;
    due_early = tick - port->now(port->self);
    due_late = port->due_wait(port->self) - tick;
    due_came++;
}

void kn_pod_on_transfer(kn_pod *pod)
{
    (void)pod;
    transfers++;
}

void kn_pod_on_analog(kn_pod *pod, uint8_t input, uint16_t sum)
{
    (void)pod;
    (void)input;
    analog_sum = sum;
    analog_came = 1;
}

void kn_pod_on_supply(kn_pod *pod, uint16_t millivolts)
{
    (void)pod;
    supply = millivolts;
}

uint8_t kn_pod_on_caliper_edge(kn_pod *pod, uint32_t tick, uint8_t data)
{
    (void)pod;
    (void)tick;
    edges++;
    edge_bits = (uint8_t)(edge_bits << 1 | data);
    return edges < 8; /* as if the line chattered then */
}
