/* The serial line: ten bits a byte, both ways at the rate that the core has set. */
#include "board.h"
#include "errors.h"

uint64_t sim_byte_ns(const sim_board *b)
{
    return (uint64_t)(1e10 / b->value[SIM_BAUD]);
}

static void take_up_rate(sim_board *b)
{
    if (b->next_baud != 0) {
        b->value[SIM_BAUD] = b->next_baud;
        b->next_baud = 0;
    }
}

void sim_byte_sent(sim_board *b)
{
    uint8_t byte = sim_ring_take(&b->queue);
    if (sim_ring_room(&b->from_pod) != 0) {
        sim_ring_put(&b->from_pod, byte);
    } else {
        b->value[SIM_LOST_FROM_POD] += 1;
    }
    if (b->queue.count != 0) {
        b->sent_at += sim_byte_ns(b);
    } else {
        b->sent_at = SIM_NEVER;
        take_up_rate(b);
    }
}

void sim_byte_arrived(sim_board *b)
{
    uint8_t byte = sim_ring_take(&b->to_pod);
    if (!b->on) {
        /* nobody listens */
    } else if (sim_ring_room(&b->received) != 0) {
        sim_ring_put(&b->received, byte);
    } else {
        b->value[SIM_LOST_TO_POD] += 1;
    }
    b->arrived_at = b->to_pod.count != 0 ? b->arrived_at + sim_byte_ns(b) : SIM_NEVER;
}

size_t sim_send(sim_board *b, const uint8_t *data, size_t length)
{
    size_t taken = 0;
    while (taken < length && sim_ring_room(&b->to_pod) != 0) {
        sim_ring_put(&b->to_pod, data[taken]);
        taken++;
    }
    if (b->arrived_at == SIM_NEVER && b->to_pod.count != 0) {
        b->arrived_at = b->now_ns + sim_byte_ns(b);
    }
    return taken;
}

size_t sim_send_room(const sim_board *b, size_t wanted)
{
    const size_t room = sim_ring_room(&b->to_pod);
    return wanted < room ? wanted : room;
}

size_t sim_fetch(sim_board *b, uint8_t *into, size_t size)
{
    size_t fetched = 0;
    while (fetched < size && b->from_pod.count != 0) {
        into[fetched] = sim_ring_take(&b->from_pod);
        fetched++;
    }
    return fetched;
}

static size_t transmit_room(void *self)
{
    sim_board *b = self;
    sim_spend(b);
    return sim_ring_room(&b->queue);
}

static void transmit(void *self, const uint8_t *data, size_t length)
{
    sim_board *b = self;
    for (size_t i = 0; i < length; i++) {
        if (sim_ring_room(&b->queue) == 0) {
            b->value[SIM_OVERFILLED] += (double)(length - i);
            break;
        }
        sim_ring_put(&b->queue, data[i]);
    }
    if (b->sent_at == SIM_NEVER && b->queue.count != 0) {
        b->sent_at = b->now_ns + sim_byte_ns(b);
    }
    sim_spend(b);
}

static size_t receive(void *self, uint8_t *into, size_t size)
{
    sim_board *b = self;
    size_t taken = 0;
    while (taken < size && b->received.count != 0) {
        into[taken] = sim_ring_take(&b->received);
        taken++;
    }
    sim_spend(b);
    return taken;
}

static int8_t set_baud(void *self, uint32_t baud)
{
    sim_board *b = self;
    if (baud < 1200 || baud > 1000000) {
        return KN_E_VALUE;
    }
    b->next_baud = baud;
    if (b->queue.count == 0) {
        take_up_rate(b);
    }
    return KN_OK;
}

void sim_wire_line(kn_port *port)
{
    port->transmit_room = transmit_room;
    port->transmit = transmit;
    port->receive = receive;
    port->set_baud = set_baud;
}
