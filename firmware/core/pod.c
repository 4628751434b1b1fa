#include "pod.h"

#include <string.h>

#include "access.h"
#include "errors.h"
#include "once.h"
#include "rates.h"
#include "reports.h"

#define DEFAULT_RATE_HZ 200
#define HELLO_IDLE_MS 1000
#define HELLO_STREAMING_MS 5000
#define STATUS_MS 1000
#define STATUS_BYTES (KN_FRAME_OVERHEAD + 24)
#define FAULT_BYTES (KN_FRAME_OVERHEAD + 7)
#define BUTTON_BYTES (KN_FRAME_OVERHEAD + 5)
/* Counted in one turn of the main loop; what is more comes in the next. */
#define LONGEST_MS 60000u
/* Edges of the caliper's clock in CALIPER_LISTEN_MS: two packets and more. */
#define CALIPER_EDGES 64
#define CALIPER_LISTEN_MS 20

static void set_line(kn_pod *pod)
{
    const kn_port *port = pod->port;
    pod->baud = pod->settings.baud;
    if (port->set_baud(port->self, pod->baud) != KN_OK) {
        pod->baud = KN_BAUD_DEFAULT;
        (void)port->set_baud(port->self, pod->baud);
    }
}

void kn_pod_start(kn_pod *pod, const kn_port *port)
{
    /* All 0 is how every part of it begins; what must not be 0 follows. */
    memset(pod, 0, sizeof *pod);
    pod->port = port;
    pod->ticks_per_ms = (uint16_t)(port->tick_hz / 1000);
    kn_cues_reset(&pod->cues, port);
    kn_settings_start(&pod->settings, port);
    if (kn_settings_blank(&pod->settings)) {
        kn_faults_set(&pod->faults, KN_FAULT_SETTINGS, KN_POD_PLACE);
    }
    set_line(pod);
    pod->raw_period = pod->ticks_per_ms * (1000 / DEFAULT_RATE_HZ);
    pod->asked = 1;
    kn_rates_follow(pod);
    kn_readings_start(&pod->readings, port, &pod->sensors, pod->ticks_per_ms);
    kn_caliper_reset(&pod->sensors.caliper, port->tick_hz);
    pod->ms_tick = kn_now(port);
    pod->status_in_ms = STATUS_MS;
    kn_watch_start(pod);
    if (port->caliper_listen != NULL) {
        port->caliper_listen(port->self);
    }
}

void kn_pod_stream(kn_pod *pod)
{
    if (pod->streaming) {
        return;
    }
    pod->streaming = 1;
    pod->hello_in_ms = HELLO_STREAMING_MS;
    pod->status_in_ms = STATUS_MS;
    kn_sampler_clear(&pod->sampler);
    kn_faults_tell_again(&pod->faults);
}

void kn_pod_stop(kn_pod *pod)
{
    if (!pod->streaming) {
        return;
    }
    kn_readings_off(&pod->readings);
    pod->streaming = 0;
    pod->hello_in_ms = HELLO_IDLE_MS;
}

/* The table follows what is there; while the pod streams it is fixed. */
static void follow_parts(kn_pod *pod)
{
    uint8_t present = kn_watch_present(pod);
    if (pod->streaming || !kn_watch_looked(pod) || present == pod->table.parts ||
        kn_watch_testing(pod)) {
        return;
    }
    kn_faults_forget_rows(&pod->faults);
    kn_table_build(&pod->table, present);
    kn_rates_follow(pod);
    pod->hello_in_ms = 0;
}

static void take_reading(kn_pod *pod)
{
    const kn_reading *reading = kn_readings_take(&pod->readings);
    if (reading == NULL) {
        return;
    }
    int32_t values[KN_VALUES] = {0};
    uint32_t start = reading->start;
    uint8_t rows = kn_judge_reading(pod, reading, values);
    kn_readings_release(&pod->readings);
    if (pod->streaming) {
        kn_sampler_take(pod, start, rows, values);
    }
}

static void keep_reading(kn_pod *pod)
{
    if (pod->streaming && !pod->readings.on && !kn_watch_changing(pod) &&
        kn_readings_idle_for(&pod->readings, 0)) {
        kn_judge_begin(pod);
        pod->readings.parts = kn_watch_parts_to_read(pod);
        kn_readings_on(&pod->readings, pod->raw_period);
    }
}

static void watch_overruns(kn_pod *pod)
{
    uint32_t overruns = kn_readings_overruns(&pod->readings);
    if (overruns != pod->overruns_seen) {
        pod->overruns_seen = overruns;
        kn_faults_happened(&pod->faults, KN_PASSING_OVERRUN);
    }
}

static void listen_to_caliper(kn_pod *pod, uint16_t elapsed_ms)
{
    const kn_port *port = pod->port;
    if (port->caliper_listen == NULL) {
        return;
    }
    if (pod->caliper_rest_ms > elapsed_ms) {
        pod->caliper_rest_ms = (uint8_t)(pod->caliper_rest_ms - elapsed_ms);
        return;
    }
    pod->caliper_rest_ms = CALIPER_LISTEN_MS;
    uint8_t state = kn_lock(port);
    uint8_t deaf = pod->caliper_deaf;
    pod->caliper_deaf = 0;
    pod->caliper_edges = 0;
    kn_unlock(port, state);
    if (deaf) {
        port->caliper_listen(port->self);
    }
}

KN_ONCE static uint16_t count_down(uint16_t left_ms, uint16_t elapsed_ms)
{
    return (uint16_t)(left_ms > elapsed_ms ? left_ms - elapsed_ms : 0);
}

static void pass_time(kn_pod *pod)
{
    const kn_port *port = pod->port;
    uint32_t now = kn_now(port);
    uint16_t ms = 0;
    while (now - pod->ms_tick >= pod->ticks_per_ms && ms < LONGEST_MS) {
        pod->ms_tick += pod->ticks_per_ms;
        ms++;
    }
    if (ms == 0) {
        return;
    }
    kn_cues_pass(&pod->cues, ms);
    kn_button_pass(&pod->button, port->button(port->self), now, ms);
    kn_faults_pass(&pod->faults, ms);
    kn_throttle_pass(&pod->throttle, pod->baud, ms);
    kn_watch_pass(pod, ms);
    listen_to_caliper(pod, ms);
    watch_overruns(pod);
    follow_parts(pod);
    pod->crowded_ms = (uint8_t)count_down(pod->crowded_ms, ms);
    pod->hello_in_ms = count_down(pod->hello_in_ms, ms);
    pod->status_in_ms = pod->streaming ? count_down(pod->status_in_ms, ms) : STATUS_MS;
}

/* What the pod says of its own accord. */
static void report(kn_pod *pod)
{
    uint8_t code;
    uint8_t channel;
    uint8_t present;
    if (!kn_watch_looked(pod)) {
        return;
    }
    /* Name and identity cannot be read while settings are being written. */
    if (pod->hello_in_ms == 0 && pod->commands.under_way != KN_COMMAND_SETTINGS_WRITE &&
        kn_report_fits(pod, kn_hello_bytes(pod)) && kn_send_hello(pod)) {
        pod->hello_in_ms = pod->streaming ? HELLO_STREAMING_MS : HELLO_IDLE_MS;
    }
    if (pod->button.event && kn_report_fits(pod, BUTTON_BYTES) && kn_send_button(pod)) {
        pod->button.event = 0;
    }
    if (kn_faults_next(&pod->faults, &code, &channel, &present) &&
        kn_report_fits(pod, FAULT_BYTES) && kn_send_fault(pod, code, channel, present)) {
        kn_faults_told(&pod->faults, code, channel);
    }
    if (pod->status_in_ms == 0 && kn_report_fits(pod, STATUS_BYTES) && kn_send_status(pod)) {
        pod->status_in_ms = STATUS_MS;
    }
}

uint8_t kn_pod_step(kn_pod *pod)
{
    pod->port->alive(pod->port->self);
    take_reading(pod);
    kn_sampler_step(pod);
    pass_time(pod);
    kn_watch_step(pod);
    keep_reading(pod);
    /* What sends a long frame waits while a reading does: only two of these have room. */
    uint8_t more = kn_readings_take(&pod->readings) != NULL;
    if (!more) {
        report(pod);
        more = kn_readings_take(&pod->readings) != NULL;
    }
    if (!more) {
        more = kn_commands_step(pod);
    }
    return more || kn_readings_take(&pod->readings) != NULL;
}

void kn_pod_on_due(kn_pod *pod, uint32_t tick)
{
    kn_readings_on_due(&pod->readings, tick);
}

void kn_pod_on_transfer(kn_pod *pod)
{
    kn_readings_on_transfer(&pod->readings);
}

void kn_pod_on_analog(kn_pod *pod, uint8_t input, uint16_t sum)
{
    (void)input; /* there is but one */
    kn_readings_on_analog(&pod->readings, sum);
}

void kn_pod_on_supply(kn_pod *pod, uint16_t millivolts)
{
    pod->watch.supply_mv = millivolts;
}

uint8_t kn_pod_on_caliper_edge(kn_pod *pod, uint32_t tick, uint8_t data)
{
    kn_caliper *caliper = &pod->sensors.caliper;
    uint8_t chatter = tick - caliper->edge_tick < caliper->shortest_ticks;
    kn_caliper_on_edge(caliper, tick, data);
    pod->caliper_edges++;
    if (!chatter && pod->caliper_edges <= CALIPER_EDGES) {
        return 1;
    }
    pod->caliper_deaf = 1;
    return 0;
}
