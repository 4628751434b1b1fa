/* Any commands, rubbish, time and faults into a whole pod on a simulated board.
 *
 * The input is a list of deeds: a byte that says which, then its data. Whatever is done: the
 * pod queues no byte without room, holds no lock, sends nothing but good frames, and answers
 * in the end. One board serves many inputs, as one pod serves many hosts. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fuzz.h"
#include "sim.h"

static const uint64_t MS = 1000000u;

enum { FROM_POD_FIRST = 0x01, FROM_POD_LAST = 0x3F, ACK = 0x05, ANSWER_EVERY = 64 };

static sim_board *board;
static uint8_t stuffed[600];
static size_t stuffed_length;
static unsigned inputs;
static int answered;
static uint8_t awaited_token;
static unsigned long frames[FROM_POD_LAST + 1];
static unsigned long acks[8];

static void take_frame(void)
{
    uint8_t body[260];
    size_t length = 0;
    const uint8_t type = fuzz_unframe(stuffed, stuffed_length, body, &length);
    FUZZ_MUST(type >= FROM_POD_FIRST && type <= FROM_POD_LAST);
    frames[type]++;
    if (type == ACK) {
        FUZZ_MUST(length == 4 && body[3] < 8);
        acks[body[3]]++;
        answered = answered || (body[1] == awaited_token && body[2] == 0x4A);
    }
}

static void listen(void)
{
    uint8_t bytes[4096];
    size_t count;
    while ((count = sim_fetch(board, bytes, sizeof bytes)) != 0) {
        for (size_t i = 0; i < count; i++) {
            if (bytes[i] != 0) {
                FUZZ_MUST(stuffed_length < sizeof stuffed);
                stuffed[stuffed_length++] = bytes[i];
            } else if (stuffed_length != 0) {
                take_frame();
                stuffed_length = 0;
            }
        }
    }
}

static void pass(uint64_t ns)
{
    sim_run(board, ns);
    listen();
    FUZZ_MUST(sim_get(board, SIM_OVERFILLED) == 0);
    FUZZ_MUST(sim_get(board, SIM_LOCKED) == 0);
}

static void restart(uint8_t how)
{
    listen();
    if (how & 1u) {
        sim_stop(board, how);
    }
    stuffed_length = 0; /* a frame that was cut off by the restart */
    sim_start(board, how >> 1 & 7u);
}

static void change_the_world(uint8_t what, uint8_t to)
{
    switch (what & 15u) {
    case 0:
        sim_connect(board, SIM_MPU6050, to & 1);
        break;
    case 1:
        sim_connect(board, SIM_ADXL355, to & 1);
        break;
    case 2:
        sim_set(board, SIM_ANALOG_CONNECTED, to & 1);
        break;
    case 3:
        sim_set(board, SIM_CALIPER_HZ, to & 31);
        break;
    case 4:
        sim_set(board, SIM_CHATTER_HZ, to & 1 ? 100.0 * to : 0.0);
        break;
    case 5:
        sim_set(board, SIM_SDA_STUCK, to & 15);
        break;
    case 6:
        sim_set(board, SIM_SUPPLY_MV, 20.0 * to);
        break;
    case 7:
        sim_set(board, SIM_BUTTON, to & 1);
        break;
    case 8:
        sim_nack(board, to & 1, to >> 1 & 7, to >> 4);
        break;
    case 9:
        sim_freeze(board, to & 1, to >> 1 & 1);
        break;
    case 10:
        sim_set_register(board, SIM_MPU6050, 0x75, to & 1 ? 0x68 : to);
        break;
    case 11:
        sim_kept(board)[to * 4] ^= to;
        break;
    case 12:
        sim_set(board, SIM_PREEMPT_NS, to & 1 ? 100.0 * to : 0.0);
        break;
    case 13:
        sim_skip(board, to * 10 * MS);
        break;
    case 14:
        sim_set(board, SIM_CALIPER_COUNTS, (to - 128) * 300.0);
        break;
    default:
        restart(to);
        break;
    }
}

/* A sane world again, and a STATUS command, which must be answered: within 5 s, since commands
 * before it may still be in the queue. */
static void must_answer(void)
{
    const uint8_t command[2] = {0x4A, (uint8_t)(inputs / ANSWER_EVERY)};
    uint8_t frame[300];
    sim_set(board, SIM_CHATTER_HZ, 0);
    sim_set(board, SIM_SDA_STUCK, 0);
    sim_set(board, SIM_PREEMPT_NS, 0);
    awaited_token = command[1];
    answered = 0;
    const size_t length = fuzz_frame(command, sizeof command, frame);
    for (int try = 0; try < 20 && !answered; try++) {
        sim_send(board, frame, length);
        pass(500 * MS);
    }
    FUZZ_MUST(answered);
}

/* So that a run that reached nothing is seen. */
static void report(void)
{
    printf("simulated_s=%llu", (unsigned long long)(sim_now_ns(board) / (1000 * MS)));
    for (int type = FROM_POD_FIRST; type <= FROM_POD_LAST; type++) {
        if (frames[type] != 0) {
            printf(" frame_%02X=%lu", (unsigned)type, frames[type]);
        }
    }
    for (int code = 0; code < 8; code++) {
        printf(" ack_%d=%lu", code, acks[code]);
    }
    printf(" keep_writes=%.0f recoveries=%.0f lost_to_pod=%.0f\n", sim_get(board, SIM_KEEP_WRITES),
           sim_get(board, SIM_BUS_RECOVERIES), sim_get(board, SIM_LOST_TO_POD));
    sim_free(board);
}

static void begin(void)
{
    static const double up[3] = {0.0, 0.0, 1.0};
    static const double still[3] = {0.0, 0.0, 0.0};
    board = sim_new(250000, 0xFFFF0000u);
    FUZZ_MUST(board != NULL);
    atexit(report);
    sim_motion(board, up, still, 25.0);
    sim_noise(board, SIM_MPU6050, 3e-3, 0.04, 1);
    sim_connect(board, SIM_MPU6050, 1);
    sim_start(board, 1);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    size_t at = 0;
    if (board == NULL) {
        begin();
    }
    while (at + 1 < size) {
        const uint8_t deed = data[at++];
        const uint8_t amount = data[at++];
        const size_t left = size - at;
        size_t length = amount < left ? amount : left;
        uint8_t frame[300];
        switch (deed & 7u) {
        case 0:
        case 1:
        case 2: /* a command whose CRC is right */
            length = length < 140 ? length : 140;
            sim_send(board, frame, fuzz_frame(data + at, length, frame));
            at += length;
            break;
        case 3: /* bytes as they are */
            sim_send(board, data + at, length);
            at += length;
            break;
        case 4:
        case 5:
            pass((uint64_t)amount * 100000u);
            break;
        case 6:
            pass((uint64_t)(amount & 15u) * 5 * MS);
            break;
        default:
            change_the_world(deed >> 3, amount);
            break;
        }
    }
    pass(MS);
    if (++inputs % ANSWER_EVERY == 0) {
        must_answer();
    }
    return 0;
}
