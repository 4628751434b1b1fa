/* The pod as a process: the simulated board, its time held to the computer's clock. */
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <time.h>

#include "kept_file.h"
#include "line.h"
#include "options.h"
#include "sim.h"

enum { TICK_HZ = 1000000, KEPT_BYTES = 1024, TURN_MS = 4, POWER_ON = 1 };

static const uint64_t LONGEST_LAG_NS = 500000000u;
static const uint64_t SAVE_EVERY_NS = 100000000u;

static volatile sig_atomic_t asked_to_end;

static void ask_to_end(int signal_number)
{
    (void)signal_number;
    asked_to_end = 1;
}

static void catch_signals(void)
{
    struct sigaction action = {.sa_handler = ask_to_end};
    sigemptyset(&action.sa_mask);
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGHUP, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
}

static uint64_t clock_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

/* A wheel that stands still. Noise: the data sheets' densities within the firmware's low-pass at
 * 200 readings a second (44 and 62 Hz, first order). */
static void place_sensors(sim_board *b, const options *o)
{
    const double camber = o->camber_deg * acos(-1.0) / 180.0;
    const double up[3] = {0.0, -sin(camber), cos(camber)};
    const double still[3] = {0.0, 0.0, 0.0};
    sim_motion(b, up, still, 25.0);
    sim_noise(b, SIM_MPU6050, 3.3e-3, 0.042, o->seed);
    sim_noise(b, SIM_ADXL355, 0.25e-3, 0.0, o->seed + 1);
    sim_connect(b, SIM_MPU6050, o->mpu6050);
    sim_connect(b, SIM_ADXL355, o->adxl355);
    sim_set(b, SIM_ANALOG_CONNECTED, o->potentiometer);
    sim_set(b, SIM_ANALOG_COUNTS, 511.5);
    sim_set(b, SIM_CALIPER_COUNTS, 1234);
    sim_set(b, SIM_CALIPER_HZ, o->caliper ? 8 : 0);
}

static void serve(sim_board *b, line *l, const options *o)
{
    uint8_t bytes[4096];
    const uint64_t began_ns = clock_ns();
    double saved_writes = 0;
    uint64_t saved_ns = 0;
    while (!asked_to_end) {
        if (line_wait(l, TURN_MS, o->until_eof)) {
            break;
        }
        const uint64_t now_ns = clock_ns() - began_ns;
        const uint64_t lag_ns = now_ns - sim_now_ns(b);
        if (lag_ns > LONGEST_LAG_NS) {
            sim_skip(b, lag_ns);
        } else {
            sim_run(b, lag_ns);
        }
        const size_t from_pod = sim_fetch(b, bytes, sizeof bytes);
        line_write(l, bytes, from_pod);
        const size_t to_pod = line_read(l, bytes, sim_send_room(b, sizeof bytes));
        sim_send(b, bytes, to_pod);
        const double writes = sim_get(b, SIM_KEEP_WRITES);
        if (o->settings != NULL && writes != saved_writes && now_ns - saved_ns > SAVE_EVERY_NS) {
            kept_write(o->settings, sim_kept(b), KEPT_BYTES);
            saved_writes = writes;
            saved_ns = now_ns;
        }
    }
    if (o->settings != NULL && sim_get(b, SIM_KEEP_WRITES) != saved_writes) {
        kept_write(o->settings, sim_kept(b), KEPT_BYTES);
    }
}

static int run(sim_board *b, const options *o)
{
    static line l;
    if (o->settings != NULL && kept_read(o->settings, sim_kept(b), KEPT_BYTES) != 0) {
        return 1;
    }
    if (line_open(&l, o) != 0) {
        line_close(&l);
        return 1;
    }
    printf("%s\n", l.place);
    fflush(stdout);
    place_sensors(b, o);
    sim_start(b, POWER_ON);
    serve(b, &l, o);
    line_close(&l);
    return 0;
}

int main(int count, char **words)
{
    options o;
    const int end = read_options(&o, count, words);
    if (end != 0) {
        return end - 1;
    }
    catch_signals();
    sim_board *b = sim_new(TICK_HZ, 0);
    if (b == NULL) {
        fputs("knuckle-pod: not enough memory\n", stderr);
        return 1;
    }
    const int result = run(b, &o);
    sim_free(b);
    return result;
}
