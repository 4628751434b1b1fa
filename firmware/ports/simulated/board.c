#include "board.h"

#include <stdlib.h>
#include <string.h>

static const char hardware[] = "simulated";

static const uint64_t TURN_NS = 1000000; /* of the main loop, at the latest */
static const uint64_t BUSY_NS = 20000;   /* one that has more to do */

static void nothing_runs(sim_board *b)
{
    b->transfer = NULL;
    b->due_at = b->transfer_at = b->analog_at = b->supply_at = b->keep_at = SIM_NEVER;
    b->sent_at = SIM_NEVER;
    b->queue.count = 0;
    b->received.count = 0;
    b->listening = 0;
    b->locked = 0;
    b->next_baud = 0;
    b->value[SIM_LIGHT] = 0;
    b->value[SIM_TONE_HZ] = 0;
}

sim_board *sim_new(uint32_t tick_hz, uint32_t first_tick)
{
    if (tick_hz == 0 || 1000000000u % tick_hz != 0 || tick_hz % 1000u != 0) {
        return NULL;
    }
    sim_board *b = calloc(1, sizeof *b);
    if (b == NULL) {
        return NULL;
    }
    if (!sim_ring_open(&b->queue, SIM_QUEUE) || !sim_ring_open(&b->received, SIM_RECEIVED) ||
        !sim_ring_open(&b->to_pod, SIM_TO_POD) || !sim_ring_open(&b->from_pod, SIM_FROM_POD)) {
        sim_free(b);
        return NULL;
    }
    b->tick_ns = 1000000000u / tick_hz;
    b->first_tick = first_tick;
    b->arrived_at = b->caliper_at = b->chatter_at = SIM_NEVER;
    memset(b->kept, 0xFF, sizeof b->kept);
    sim_mpu6050(&b->chip[SIM_MPU6050]);
    sim_adxl355(&b->chip[SIM_ADXL355]);
    b->value[SIM_BAUD] = 115200;
    b->value[SIM_SUPPLY_MV] = 5000;
    b->value[SIM_CALIPER_BITS] = 24;
    b->port.self = b;
    b->port.tick_hz = tick_hz;
    b->port.hardware = hardware;
    b->port.supply_low_mv = 4500;
    sim_wire_clock(&b->port);
    sim_wire_bus(&b->port);
    sim_wire_inputs(&b->port);
    sim_wire_caliper(&b->port);
    sim_wire_line(&b->port);
    nothing_runs(b);
    return b;
}

void sim_free(sim_board *b)
{
    if (b != NULL) {
        sim_ring_close(&b->queue);
        sim_ring_close(&b->received);
        sim_ring_close(&b->to_pod);
        sim_ring_close(&b->from_pod);
        free(b);
    }
}

void sim_stop(sim_board *b, uint8_t torn)
{
    if (b->keep_at != SIM_NEVER) {
        b->kept[b->keep_place] = torn;
    }
    nothing_runs(b);
    b->on = 0;
}

void sim_start(sim_board *b, uint8_t cause)
{
    /* A reset lets a byte that is being written be finished; see sim_stop() for lost power. */
    if (b->keep_at != SIM_NEVER) {
        sim_end_keep(b);
    }
    nothing_runs(b);
    /* Memory holds anything at power-on. */
    memset(&b->pod, 0xA5, sizeof b->pod);
    b->port.reset_cause = cause;
    b->on = 1;
    b->step_at = b->now_ns;
    kn_pod_start(&b->pod, &b->port);
}

static void turn(sim_board *b)
{
    const uint8_t more = kn_pod_step(&b->pod);
    b->step_at = b->now_ns + (more ? BUSY_NS : TURN_NS);
}

void sim_run(sim_board *b, uint64_t ns)
{
    const uint64_t until = b->now_ns + ns;
    for (;;) {
        uint64_t at = sim_next(b);
        const uint64_t step_at = b->on ? b->step_at : SIM_NEVER;
        at = step_at < at ? step_at : at;
        if (at > until) {
            break;
        }
        b->now_ns = at > b->now_ns ? at : b->now_ns;
        sim_happen(b);
        if (b->on) {
            turn(b);
        }
    }
    b->now_ns = until > b->now_ns ? until : b->now_ns;
}

void sim_skip(sim_board *b, uint64_t ns)
{
    b->now_ns += ns;
}

double sim_get(const sim_board *b, int value)
{
    return value == SIM_LOCKED ? b->locked : b->value[value];
}

int sim_set(sim_board *b, int value, double to)
{
    if (value < SIM_BUTTON || value >= SIM_VALUES) {
        return -1;
    }
    b->value[value] = to;
    if (value == SIM_CALIPER_HZ) {
        b->caliper_bit = 0;
        b->caliper_at = to > 0 ? b->now_ns : SIM_NEVER;
    } else if (value == SIM_CHATTER_HZ) {
        b->chatter_at = to > 0 ? b->now_ns : SIM_NEVER;
    }
    return 0;
}
