#include "rates.h"

#include "errors.h"
#include "pod.h"

#define LARGEST_RATE_HZ 500
#define LEAST_RATE_HZ 10
#define BITS_PER_BYTE_ON_LINE 10

static uint8_t sums_fit(const kn_pod *pod, uint16_t averaging)
{
    return pod->table.shape.rows == 0 ||
           kn_sample_bytes(&pod->table.shape, KN_ALL_ROWS, averaging) > 0;
}

/* What the sampler and the reports need to know of full frames. */
static void derive(kn_pod *pod)
{
    const kn_shape *shape = &pod->table.shape;
    pod->sample_bytes = kn_sample_bytes(shape, KN_ALL_ROWS, pod->averaging);
    if (pod->sample_bytes == 0) {
        return;
    }
    pod->frame_samples = kn_samples_per_frame(pod->sample_bytes, KN_BATCH_BYTES, pod->averaging,
                                              pod->raw_period, pod->port->tick_hz);
    pod->frame_bytes = (uint16_t)(KN_FRAME_OVERHEAD + KN_SAMPLES_HEAD +
                                  (uint16_t)pod->frame_samples * pod->sample_bytes);
    uint32_t ms_per_1000 = pod->raw_period * pod->averaging / pod->ticks_per_ms;
    uint32_t bytes = ms_per_1000 * (pod->baud / BITS_PER_BYTE_ON_LINE / 100) / 10;
    pod->line_per_sample = (uint16_t)(bytes < UINT8_MAX ? bytes : UINT8_MAX);
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
    uint32_t tick_hz = pod->port->tick_hz;
    uint32_t period = raw_period > 0 ? raw_period : pod->raw_period;
    uint16_t asked = averaging > 0 ? averaging : pod->asked;
    if (period < tick_hz / LARGEST_RATE_HZ || period > tick_hz / LEAST_RATE_HZ ||
        asked > KN_AVERAGING_LARGEST) {
        return KN_E_VALUE;
    }
    uint16_t least = kn_least_averaging(&pod->table.shape, pod->baud, period, tick_hz);
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
