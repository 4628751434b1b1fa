/* Time: what happens when, and the tick. */
#include "board.h"
#include "errors.h"

uint32_t sim_tick(const sim_board *b)
{
    return b->first_tick + (uint32_t)(b->now_ns / b->tick_ns);
}

uint64_t sim_now_ns(const sim_board *b)
{
    return b->now_ns;
}

static uint64_t earlier(uint64_t a, uint64_t b)
{
    return a < b ? a : b;
}

uint64_t sim_next(const sim_board *b)
{
    uint64_t at = earlier(b->sent_at, b->arrived_at);
    at = earlier(at, earlier(b->caliper_at, b->chatter_at));
    at = earlier(at, earlier(b->due_at, b->transfer_at));
    at = earlier(at, earlier(b->analog_at, b->supply_at));
    return earlier(at, b->keep_at);
}

/* One thing that happens now; 0 if there is none. */
static int happen_once(sim_board *b)
{
    const uint64_t now = b->now_ns;
    if (b->due_at <= now) {
        b->due_at = SIM_NEVER;
        b->value[SIM_READS] += 1;
        kn_pod_on_due(&b->pod, b->due_tick);
    } else if (b->transfer_at <= now) {
        sim_end_transfer(b);
    } else if (b->analog_at <= now) {
        sim_end_analog(b);
    } else if (b->supply_at <= now) {
        sim_end_supply(b);
    } else if (b->keep_at <= now) {
        sim_end_keep(b);
    } else if (b->caliper_at <= now) {
        sim_caliper_edge(b);
    } else if (b->chatter_at <= now) {
        sim_chatter_edge(b);
    } else if (b->sent_at <= now) {
        sim_byte_sent(b);
    } else if (b->arrived_at <= now) {
        sim_byte_arrived(b);
    } else {
        return 0;
    }
    return 1;
}

void sim_happen(sim_board *b)
{
    int left = 1000; /* a due tick that is always past must not hold the simulation for ever */
    b->in_interrupt++;
    while (left > 0 && happen_once(b)) {
        left--;
    }
    b->in_interrupt--;
}

void sim_spend(sim_board *b)
{
    const uint64_t ns = (uint64_t)b->value[SIM_PREEMPT_NS];
    if (ns == 0 || b->in_interrupt || b->locked || !b->on) {
        return;
    }
    const uint64_t until = b->now_ns + ns;
    while (sim_next(b) <= until) {
        const uint64_t at = sim_next(b);
        b->now_ns = at > b->now_ns ? at : b->now_ns;
        sim_happen(b);
    }
    b->now_ns = until;
}

static uint8_t lock(void *self)
{
    sim_board *b = self;
    sim_spend(b);
    b->locked++;
    return (uint8_t)(b->locked - 1);
}

static void unlock(void *self, uint8_t state)
{
    sim_board *b = self;
    b->locked = state;
    sim_spend(b);
}

static uint32_t now(void *self)
{
    sim_board *b = self;
    sim_spend(b);
    return sim_tick(b);
}

static void due_at(void *self, uint32_t tick)
{
    sim_board *b = self;
    const uint32_t ahead = tick - sim_tick(b);
    const uint64_t this_tick = b->now_ns - b->now_ns % b->tick_ns;
    b->due_tick = tick;
    b->due_at = ahead == 0 || ahead >= 0x80000000u ? b->now_ns : this_tick + ahead * b->tick_ns;
}

static void due_off(void *self)
{
    sim_board *b = self;
    b->due_at = SIM_NEVER;
}

void sim_wire_clock(kn_port *port)
{
    port->lock = lock;
    port->unlock = unlock;
    port->now = now;
    port->due_at = due_at;
    port->due_off = due_off;
    port->due_wait = now; /* it is called in time */
}
