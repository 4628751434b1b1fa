/* What comes from a caliper: packets of 24 bits some times a second, or chatter. */
#include <math.h>

#include "board.h"

enum { BIT_NS = 370000 }; /* common practice, no source */

static void give_edge(sim_board *b, uint8_t data)
{
    if (b->on && b->listening) {
        b->in_interrupt++;
        b->listening = kn_pod_on_caliper_edge(&b->pod, sim_tick(b), data);
        b->in_interrupt--;
    }
}

static void begin_packet(sim_board *b)
{
    double counts = b->value[SIM_CALIPER_COUNTS];
    uint32_t magnitude = (uint32_t)fabs(counts) & 0xFFFFFu;
    uint32_t inch = b->value[SIM_CALIPER_INCH] != 0 ? 1u : 0u;
    b->caliper_word = magnitude | (counts < 0 ? 1u << 20 : 0u) | inch << 23;
}

void sim_caliper_edge(sim_board *b)
{
    if (b->caliper_bit == 0) {
        begin_packet(b);
    }
    give_edge(b, (uint8_t)((b->caliper_word >> (b->caliper_bit & 31)) & 1u));
    b->caliper_bit++;
    if (b->caliper_bit < (int)b->value[SIM_CALIPER_BITS]) {
        b->caliper_at += BIT_NS;
    } else {
        double left_ns = 1e9 / b->value[SIM_CALIPER_HZ] - b->caliper_bit * (double)BIT_NS;
        b->caliper_bit = 0;
        b->caliper_at += left_ns > 2e6 ? (uint64_t)left_ns : 2000000u;
    }
}

void sim_chatter_edge(sim_board *b)
{
    give_edge(b, (uint8_t)(b->now_ns / 1000u & 1u));
    b->chatter_at += (uint64_t)(1e9 / b->value[SIM_CHATTER_HZ]);
}

void sim_edge(sim_board *b, uint8_t data)
{
    give_edge(b, data);
}

static void caliper_listen(void *self)
{
    sim_board *b = self;
    b->listening = 1;
}

void sim_wire_caliper(kn_port *port)
{
    port->caliper_listen = caliper_listen;
}
