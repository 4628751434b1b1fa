#include "caliper.h"

#include "errors.h"

enum { PACKET_BITS = 24, NO_GOOD = 255, TRIES = 4 };

enum { MM_COUNT = 100, INCH_COUNT = 127 };

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
    c->pause_ticks = tick_hz / (1000000u / KN_CALIPER_SILENCE_US);
    c->shortest_ticks = tick_hz / (1000000u / KN_CALIPER_SHORTEST_US);
    c->stale_ticks = tick_hz / 1000u * KN_CALIPER_STALE_MS;
}

void kn_caliper_on_edge(kn_caliper *c, uint32_t tick, uint8_t data)
{
    uint32_t silence = tick - c->edge_tick;
    c->edge_tick = tick;
    c->edges++;
    if (silence > c->pause_ticks || c->packet == 0) {
        if (c->bits == PACKET_BITS) {
            c->good_word = c->word;
            c->good_tick = tick - silence;
            c->good_packet = c->packet;
        } else if (c->bits != 0) {
            c->dropped++;
        }
        /* 0 means "none yet", so it is left out when the number wraps. */
        c->packet = c->packet == 255 ? 1 : (uint8_t)(c->packet + 1u);
        c->bits = 0;
        c->word = 0;
    } else if (silence < c->shortest_ticks) {
        c->bits = NO_GOOD;
    }
    if (c->bits < PACKET_BITS) {
        c->word = c->word >> 1 | (data != 0 ? TOP_BIT : 0);
        c->bits++;
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

/* The newest whole packet; 0 if there is none, or if edges kept coming while it was copied. */
static uint8_t newest(const kn_caliper *c, uint32_t now, uint32_t *word, uint32_t *tick)
{
    const volatile kn_caliper *line = c;
    for (uint8_t i = 0; i < TRIES; i++) {
        uint8_t edges = line->edges;
        uint32_t silence = now - line->edge_tick;
        uint8_t packet = line->good_packet;
        if (line->bits == PACKET_BITS && silence > c->pause_ticks && silence < HALF_RANGE) {
            packet = line->packet;
            *word = line->word;
            *tick = line->edge_tick;
        } else {
            *word = line->good_word;
            *tick = line->good_tick;
        }
        if (edges == line->edges) {
            return packet;
        }
    }
    return 0;
}

int8_t kn_caliper_take(kn_caliper *c, uint32_t now, int32_t *value)
{
    uint32_t word = 0;
    uint32_t tick = 0;
    uint8_t packet = newest(c, now, &word, &tick);
    if (packet != 0 && packet != c->taken_packet) {
        int32_t shown = 0;
        c->taken_packet = packet;
        if (read_word(word, &shown)) {
            c->value = shown;
            c->value_tick = tick;
            c->known = 1;
        } else {
            c->refused++;
        }
    }
    uint32_t age = now - c->value_tick;
    if (age > c->stale_ticks && age < HALF_RANGE) {
        c->known = 0;
    }
    if (!c->known) {
        return KN_E_NO_ANSWER;
    }
    *value = c->value;
    return KN_OK;
}

uint8_t kn_caliper_dropped(const kn_caliper *c)
{
    return (uint8_t)(((const volatile kn_caliper *)c)->dropped + c->refused);
}
