#include "caliper.h"

#include "../ports/atmega328p/pins.h"
#include "chip.h"
#include "pins.h"

#define CLOCK 2
#define DATA 3
#define SIGN 0x100000u
#define INCH 0x800000u
#define QUARTERS 4u

uint64_t caliper_packets, caliper_edges;

static bool there, inch_shown;
static int32_t shown;
static uint32_t bit_us = 320, packet_us = 120000, chatter_hz;
static uint8_t bits = 24, bit_now;
static unsigned quarter;
static uint32_t word;
static bool clock_level = true;

static avr_cycle_count_t next_step(avr_t *avr, avr_cycle_count_t when, void *param);

static void arm(avr_cycle_count_t wait)
{
    avr_cycle_timer_cancel(chip, next_step, NULL);
    if (there || chatter_hz) {
        avr_cycle_timer_register(chip, wait ? wait : 1, next_step, NULL);
    }
}

/* The caliper's level, through the transistor on that line. */
static void set_line(uint8_t bit, int level)
{
    pin_drive('D', bit, KN_CALIPER_INVERTED ? !level : level);
}

static void set_clock(bool level)
{
    if (level != clock_level) {
        caliper_edges++;
    }
    clock_level = level;
    set_line(CLOCK, level);
}

static void begin_packet(void)
{
    uint32_t magnitude = (uint32_t)(shown < 0 ? -shown : shown) & 0xFFFFFu;
    word = magnitude | (shown < 0 ? SIGN : 0) | (inch_shown ? INCH : 0);
    bit_now = 0;
    quarter = 0;
}

static avr_cycle_count_t next_step(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr, (void)param;
    if (chatter_hz) {
        set_line(DATA, (int)(chip_random() & 1u));
        set_clock(!clock_level);
        return when + CLOCK_HZ / chatter_hz;
    }
    avr_cycle_count_t step = (avr_cycle_count_t)bit_us * CYCLES_PER_US / QUARTERS;
    if (quarter == 0 && bit_now == 0) {
        begin_packet();
    }
    switch (quarter) {
    case 0:
        set_line(DATA, (int)(word >> (bit_now % 24u) & 1u));
        break;
    case 1:
        set_clock(false);
        break;
    case 3:
        set_clock(true);
        break;
    default:
        break;
    }
    quarter = (quarter + 1) % QUARTERS;
    if (quarter == 0 && ++bit_now >= bits) {
        bit_now = 0;
        caliper_packets++;
        return when + (avr_cycle_count_t)packet_us * CYCLES_PER_US - step * QUARTERS * bits;
    }
    return when + step;
}

void caliper_after_reset(void)
{
    quarter = bit_now = 0;
    arm((avr_cycle_count_t)packet_us * CYCLES_PER_US);
}

void caliper_show(int32_t units, bool inch)
{
    bool was = there;
    shown = units;
    inch_shown = inch;
    there = true;
    if (!was) {
        quarter = bit_now = 0;
        set_line(DATA, 1);
        set_clock(true);
        arm((avr_cycle_count_t)packet_us * CYCLES_PER_US);
    }
}

void caliper_remove(void)
{
    there = false;
    arm(0);
    pin_drive('D', CLOCK, PIN_FLOATING);
    pin_drive('D', DATA, PIN_FLOATING);
}

void caliper_timing(uint32_t bit, uint32_t packet)
{
    bit_us = bit;
    packet_us = packet;
}

void caliper_bits(uint8_t count)
{
    bits = count;
}

void caliper_chatter(uint32_t edges_hz)
{
    chatter_hz = edges_hz;
    quarter = bit_now = 0;
    if (!edges_hz) {
        set_clock(true);
    }
    arm(edges_hz ? CLOCK_HZ / edges_hz : (avr_cycle_count_t)packet_us * CYCLES_PER_US);
}
