#include "rates.h"

#include "errors.h"
#include "pod.h"

/* 312.5 Hz, at which the slowest board loses no reading, with everything connected and a line full of
 * commands; and 10 Hz. */
#define SHORTEST_PERIOD_TENTHS_MS 32u
#define LONGEST_PERIOD_MS 100ul

static uint8_t sums_fit(const kn_pod *pod, uint16_t averaging)
{
    return pod->table.shape.rows == 0 ||
           kn_sample_bytes(&pod->table.shape, KN_ALL_ROWS, averaging) > 0;
}

/* What the sampler needs to know of frames. */
static void derive(kn_pod *pod)
{
    uint32_t tick_hz = pod->port->tick_hz;
    pod->rate_hz = (uint16_t)(tick_hz / pod->raw_period);
    pod->longest_step = pod->raw_period + pod->raw_period / 2;
    pod->in_frame_time = kn_readings_in_frame_time(pod->raw_period, tick_hz);
}

void kn_rates_follow(kn_pod *pod)
{
    uint16_t least =
        kn_least_averaging(&pod->table.shape, pod->baud, pod->raw_period, pod->port->tick_hz);
    pod->least = least > 0 ? least : KN_AVERAGING_LARGEST;
    pod->averaging = pod->asked > pod->least ? pod->asked : pod->least;
    /* A part that was plugged in may have more bits than the sum asked for has room for. */
    while (!sums_fit(pod, pod->averaging)) {
        pod->averaging >>= 1;
    }
    derive(pod);
}

int8_t kn_rates_set(kn_pod *pod, uint32_t raw_period, uint16_t averaging)
{
    uint16_t ticks_per_ms = pod->ticks_per_ms;
    uint32_t period = raw_period > 0 ? raw_period : pod->raw_period;
    uint16_t asked = averaging > 0 ? averaging : pod->asked;
    if (period < ticks_per_ms * SHORTEST_PERIOD_TENTHS_MS / 10 ||
        period > ticks_per_ms * LONGEST_PERIOD_MS || asked > KN_AVERAGING_LARGEST) {
        return KN_E_VALUE;
    }
    uint16_t least = kn_least_averaging(&pod->table.shape, pod->baud, period, pod->port->tick_hz);
    if (least == 0 || !sums_fit(pod, asked > least ? asked : least)) {
        return KN_E_VALUE;
    }
    pod->asked = asked;
    kn_sampler_clear(&pod->sampler);
    if (period != pod->raw_period) {
        kn_readings_off(&pod->readings);
        pod->raw_period = period;
        kn_watch_rate_changed(pod);
    }
    kn_rates_follow(pod);
    return KN_OK;
}
