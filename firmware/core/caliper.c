#include "caliper.h"

#include "errors.h"

enum { PACKET_BITS = 24, NO_GOOD = 255 };

enum { MM_COUNT = 100, INCH_COUNT = 127 };

static const uint32_t STALE_PAUSES = UINT32_C(1000) * KN_CALIPER_STALE_MS / KN_CALIPER_SILENCE_US;
static const uint32_t MAGNITUDE = 0x0FFFFFu;
static const uint32_t NEGATIVE = 0x100000u;
static const uint32_t INCH = 0x800000u;
static const uint32_t TOP_BIT = 0x800000u;
/* A difference of ticks from here on is a tick that lies ahead. */
static const uint32_t HALF_RANGE = 0x80000000u;

const kn_channel kn_caliper_channel KN_FLASH = {
    .kind = KN_KIND_LINEAR,
    .sensor = KN_SENSOR_CALIPER,
    .axes = 1,
    .bits = 23,
    .scale = 0.0001f,
    .offset = 0.0f,
    .full_scale = 419.4303f,
    .noise_density = 0.0f,
};

void kn_caliper_reset(kn_caliper *c, uint32_t tick_hz)
{
    *c = (kn_caliper){0};
    c->pause_ticks = (uint16_t)(tick_hz / (1000000u / KN_CALIPER_SILENCE_US));
    c->shortest_ticks = (uint16_t)(tick_hz / (1000000u / KN_CALIPER_SHORTEST_US));
}

void kn_caliper_on_edge(kn_caliper *c, uint32_t tick, uint8_t data)
{
    uint32_t silence = tick - c->edge_tick;
    uint8_t bits = c->bits;
    c->edge_tick = tick;
    c->edges++;
    if (silence > c->pause_ticks) {
        if (bits != PACKET_BITS && bits != 0) {
            c->dropped++;
        }
        bits = 0;
    } else if (silence < c->shortest_ticks) {
        bits = NO_GOOD;
    }
    if (bits < PACKET_BITS) {
        c->word = c->word >> 1 | (data != 0 ? TOP_BIT : 0);
        c->bits = (uint8_t)(bits + 1u);
    } else {
        c->bits = NO_GOOD;
    }
}

/* Value of a packet in 0.0001 mm; whether it is possible. */
static uint8_t read_word(uint32_t word, int32_t *value)
{
    int32_t counts = (int32_t)(word & MAGNITUDE);
    int32_t magnitude = counts * ((word & INCH) != 0 ? INCH_COUNT : MM_COUNT);
    *value = (word & NEGATIVE) != 0 ? -magnitude : magnitude;
    return magnitude <= KN_CALIPER_LARGEST;
}

/* Take a packet that is whole and new. Does nothing if edges keep coming meanwhile. */
static void take_packet(kn_caliper *c, uint32_t now)
{
    const volatile kn_caliper *line = c;
    uint8_t edges = line->edges;
    uint32_t tick = line->edge_tick;
    uint32_t silence = now - tick;
    uint32_t word = line->word;
    int32_t shown = 0;
    if (line->bits != PACKET_BITS || silence <= c->pause_ticks || silence >= HALF_RANGE ||
        edges != line->edges || edges == c->taken) {
        return;
    }
    c->taken = edges;
    if (read_word(word, &shown)) {
        c->value = shown;
        c->value_tick = tick;
        c->known = 1;
    }
}

int8_t kn_caliper_take(kn_caliper *c, uint32_t now, int32_t *value)
{
    take_packet(c, now);
    uint32_t age = now - c->value_tick;
    if (age > c->pause_ticks * STALE_PAUSES && age < HALF_RANGE) {
        c->known = 0;
    }
    if (!c->known) {
        return KN_E_NO_ANSWER;
    }
    *value = c->value;
    return KN_OK;
}
