/* Analog input, supply, kept memory, light, buzzer, button. */
#include <math.h>

#include "board.h"
#include "errors.h"

enum { CONVERSION_NS = 104000, SUPPLY_NS = 1000000, KEEP_NS = 3400000 };

static int8_t analog_start(void *self, uint8_t input, uint8_t conversions)
{
    sim_board *b = self;
    if (b->analog_at != SIM_NEVER || b->supply_at != SIM_NEVER) {
        return KN_E_BUSY;
    }
    b->analog_input = input;
    b->conversions = conversions;
    b->analog_at = b->now_ns + (uint64_t)conversions * CONVERSION_NS;
    return KN_OK;
}

void sim_end_analog(sim_board *b)
{
    double exact = b->value[SIM_ANALOG_COUNTS] * b->conversions + b->analog_rest;
    double sum = floor(exact);
    b->analog_rest = exact - sum;
    b->analog_at = SIM_NEVER;
    kn_pod_on_analog(&b->pod, b->analog_input, (uint16_t)sum);
}

static uint8_t analog_connected(void *self, uint8_t input)
{
    const sim_board *b = self;
    return input == 0 && b->value[SIM_ANALOG_CONNECTED] != 0;
}

static int8_t supply_start(void *self)
{
    sim_board *b = self;
    if (b->analog_at != SIM_NEVER || b->supply_at != SIM_NEVER) {
        return KN_E_BUSY;
    }
    b->supply_at = b->now_ns + SUPPLY_NS;
    return KN_OK;
}

void sim_end_supply(sim_board *b)
{
    b->supply_at = SIM_NEVER;
    kn_pod_on_supply(&b->pod, (uint16_t)b->value[SIM_SUPPLY_MV]);
}

static void keep_read(void *self, uint16_t at, uint8_t *into, uint16_t length)
{
    const sim_board *b = self;
    for (uint16_t i = 0; i < length; i++) {
        into[i] = b->kept[(at + i) % SIM_KEPT_BYTES];
    }
}

static int8_t keep_write(void *self, uint16_t at, uint8_t value)
{
    sim_board *b = self;
    if (b->keep_at != SIM_NEVER) {
        return KN_E_BUSY;
    }
    if (b->kept[at % SIM_KEPT_BYTES] == value) {
        return KN_OK;
    }
    b->keep_place = at % SIM_KEPT_BYTES;
    b->keep_value = value;
    b->keep_at = b->now_ns + KEEP_NS;
    return KN_OK;
}

void sim_end_keep(sim_board *b)
{
    b->kept[b->keep_place] = b->keep_value;
    b->keep_at = SIM_NEVER;
    b->value[SIM_KEEP_WRITES] += 1;
}

static uint8_t keep_busy(void *self)
{
    const sim_board *b = self;
    return b->keep_at != SIM_NEVER;
}

uint8_t *sim_kept(sim_board *b)
{
    return b->kept;
}

static void light(void *self, uint8_t on)
{
    sim_board *b = self;
    b->value[SIM_LIGHT] = on;
}

static void tone(void *self, uint16_t hz)
{
    sim_board *b = self;
    b->value[SIM_TONE_HZ] = hz;
}

static uint8_t button(void *self)
{
    const sim_board *b = self;
    return b->value[SIM_BUTTON] != 0;
}

static void alive(void *self)
{
    sim_board *b = self;
    b->value[SIM_ALIVE] += 1;
}

void sim_wire_inputs(kn_port *port)
{
    port->analog_start = analog_start;
    port->analog_connected = analog_connected;
    port->supply_start = supply_start;
    port->keep_read = keep_read;
    port->keep_write = keep_write;
    port->keep_busy = keep_busy;
    port->light = light;
    port->tone = tone;
    port->button = button;
    port->alive = alive;
}
