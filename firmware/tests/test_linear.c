/* Potentiometer and caliper. The caliper's packet: common practice, no source; from memory. */
#include <stdlib.h>

#include "caliper.h"
#include "check.h"
#include "errors.h"
#include "potentiometer.h"

enum { TICK_HZ = 250000, TICKS_A_MS = 250, BIT_TICKS = 92 };

static kn_caliper caliper;
static uint32_t now;

static uint32_t word_of(int counts, int inch)
{
    uint32_t word = (uint32_t)abs(counts) & 0xFFFFFu;
    return word | (counts < 0 ? 1u << 20 : 0) | (inch ? 1u << 23 : 0);
}

static void send_bits(uint32_t word, int bits)
{
    for (int i = 0; i < bits; i++) {
        now += BIT_TICKS;
        kn_caliper_on_edge(&caliper, now, (uint8_t)((word >> i) & 1u));
    }
}

static void pause_ms(uint32_t pause)
{
    now += pause * TICKS_A_MS;
}

static void begin(uint32_t at)
{
    now = at;
    kn_caliper_reset(&caliper, TICK_HZ);
}

static void test_packets(void)
{
    static const struct {
        int counts;
        int inch;
        int32_t value; /* 0.0001 mm */
    } row[] = {{0, 0, 0},
               {1, 0, 100},             /* 0.01 mm */
               {-1, 0, -100},
               {12345, 0, 1234500},     /* 123.45 mm */
               {-30000, 0, -3000000},   /* -300 mm */
               {41943, 0, 4194300},     /* the largest that is sent */
               {1, 1, 127},             /* 0.0005 in = 0.0127 mm */
               {2000, 1, 254000},       /* 1 in = 25.4 mm */
               {-12000, 1, -1524000},   /* -6 in = -152.4 mm */
               {33026, 1, 4194302}};
    begin(0);
    for (unsigned i = 0; i < sizeof row / sizeof row[0]; i++) {
        int32_t value = -1;
        check_case("packet", i);
        pause_ms(100);
        send_bits(word_of(row[i].counts, row[i].inch), 24);
        pause_ms(2);
        CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
        CHECK_EQUAL(value, row[i].value);
    }
    CHECK_EQUAL(caliper.dropped, 0);
    CHECK(kn_caliper_channel.scale == 0.0001f);
    CHECK(kn_caliper_channel.bits == 23);
}

static void test_not_whole_before_the_pause(void)
{
    int32_t value = 7;
    begin(0);
    check_case("pause", 0);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_E_NO_ANSWER);
    pause_ms(100);
    send_bits(word_of(500, 0), 24);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_E_NO_ANSWER);
    CHECK_EQUAL(value, 7);
    pause_ms(2);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    CHECK_EQUAL(value, 50000);
}

static void test_value_stays_until_the_next_is_whole(void)
{
    int32_t value = 0;
    begin(0);
    check_case("the next packet has begun", 0);
    pause_ms(100);
    send_bits(word_of(500, 0), 24);
    pause_ms(5);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    pause_ms(95);
    send_bits(word_of(600, 0), 10);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    CHECK_EQUAL(value, 50000);
    send_bits(word_of(600, 0) >> 10, 14);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    CHECK_EQUAL(value, 50000);
    pause_ms(2);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    CHECK_EQUAL(value, 60000);
}

static void test_wrong_number_of_bits(void)
{
    for (int bits = 1; bits <= 48; bits++) {
        int32_t value = 0;
        if (bits == 24) {
            continue;
        }
        begin(0);
        check_case("bits", bits);
        pause_ms(100);
        send_bits(word_of(500, 0), 24);
        pause_ms(5);
        CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
        pause_ms(95);
        send_bits(word_of(600, 0), bits < 32 ? bits : 31);
        send_bits(0, bits < 32 ? 0 : bits - 31);
        pause_ms(100);
        CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
        CHECK_EQUAL(value, 50000);
        send_bits(word_of(700, 0), 24);
        CHECK_EQUAL(caliper.dropped, 1);
        pause_ms(2);
        CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
        CHECK_EQUAL(value, 70000);
    }
}

static void test_chatter(void)
{
    int32_t value = 0;
    begin(0);
    check_case("chatter", 0);
    pause_ms(100);
    for (int i = 0; i < 23; i++) {
        now += BIT_TICKS;
        kn_caliper_on_edge(&caliper, now, 1);
    }
    now += 9; /* 36 us: closer than any caliper's */
    kn_caliper_on_edge(&caliper, now, 1);
    pause_ms(20);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_E_NO_ANSWER);
    send_bits(0xFFFFFF, 24);
    now += BIT_TICKS;
    kn_caliper_on_edge(&caliper, now, 1); /* more than a packet has */
    pause_ms(20);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_E_NO_ANSWER);
    send_bits(word_of(700, 0), 24);
    pause_ms(2);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    CHECK_EQUAL(value, 70000);
    CHECK_EQUAL(caliper.dropped, 2);
}

static void test_random_edges(void)
{
    /* Whatever comes, a value handed out fits the format; and the next good packet is read. */
    begin(0);
    srand(5);
    int handed_out = 0;
    check_case("random edges", 0);
    for (int i = 0; i < 200000; i++) {
        int32_t value = 0;
        now += (uint32_t)(rand() % 252 + 8);
        if (kn_caliper_take(&caliper, now, &value) == KN_OK) {
            handed_out++;
            CHECK(labs(value) <= KN_CALIPER_LARGEST);
            CHECK(value % 100 == 0 || value % 127 == 0);
        }
        now += 1;
        kn_caliper_on_edge(&caliper, now, (uint8_t)(rand() & 1));
    }
    CHECK(handed_out > 100);
    int32_t value = 0;
    pause_ms(20);
    send_bits(word_of(-700, 0), 24);
    pause_ms(2);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    CHECK_EQUAL(value, -70000);
}

static void test_impossible_value(void)
{
    static const uint32_t word[] = {41944, 0xFFFFF, 0xFFFFF | 1u << 20, 33027 | 1u << 23};
    for (unsigned i = 0; i < 4; i++) {
        int32_t value = 0;
        begin(0);
        check_case("impossible", i);
        pause_ms(100);
        send_bits(word[i], 24);
        pause_ms(2);
        CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_E_NO_ANSWER);
    }
}

static void test_stale(void)
{
    int32_t value = 0;
    begin(0);
    check_case("stale", 0);
    pause_ms(100);
    send_bits(word_of(500, 0), 24);
    pause_ms(999);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    pause_ms(2);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_E_NO_ANSWER);
    /* It stays gone while ticks come round to the packet's again. */
    for (int i = 0; i < 20000; i++) {
        pause_ms(900);
        CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_E_NO_ANSWER);
    }
    send_bits(word_of(600, 0), 24);
    pause_ms(2);
    CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
    CHECK_EQUAL(value, 60000);
}

static void test_wrapping(void)
{
    /* Ticks wrap before each edge in turn, and in the pause. */
    for (int edge = 0; edge <= 30; edge++) {
        int32_t value = 0;
        begin(0u - (uint32_t)(100 * TICKS_A_MS + BIT_TICKS * edge) - 5u);
        check_case("wraps before edge", edge);
        kn_caliper_take(&caliper, now, &value);
        pause_ms(100);
        send_bits(word_of(-12345, 0), 24);
        pause_ms(3);
        CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
        CHECK_EQUAL(value, -1234500);
    }
}

static void test_many_packets(void)
{
    int32_t value = 0;
    begin(123);
    check_case("many packets", 0);
    for (int i = 0; i < 1000; i++) {
        pause_ms(20);
        send_bits(word_of(i, 0), 24);
        pause_ms(2);
        CHECK_EQUAL(kn_caliper_take(&caliper, now, &value), KN_OK);
        CHECK_EQUAL(value, 100 * i);
        CHECK_EQUAL(kn_caliper_take(&caliper, now + 1, &value), KN_OK);
        CHECK_EQUAL(value, 100 * i);
    }
    CHECK_EQUAL(caliper.dropped, 0);
}

static void test_potentiometer(void)
{
    const kn_channel *row = &kn_potentiometer_channel;
    check_case("potentiometer", 0);
    CHECK_EQUAL(KN_POTENTIOMETER_LARGEST, 16368);
    CHECK((1 << (row->bits - 1)) > KN_POTENTIOMETER_LARGEST);
    float travel = row->scale * 16368.0f;
    CHECK(travel > 99.999f && travel < 100.001f);
}

int main(void)
{
    test_packets();
    test_not_whole_before_the_pause();
    test_value_stays_until_the_next_is_whole();
    test_wrong_number_of_bits();
    test_chatter();
    test_random_edges();
    test_impossible_value();
    test_stale();
    test_wrapping();
    test_many_packets();
    test_potentiometer();
    return check_result();
}
