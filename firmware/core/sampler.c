#include "sampler.h"

#include <string.h>

#include "errors.h"
#include "pod.h"
#include "reports.h"

/* A sample whose reading started further from where the frame's tick puts it begins a frame of
 * its own, so that every sample's tick is right to one count. */
#define TICK_TOLERANCE 1

void kn_sampler_clear(kn_sampler *s)
{
    s->summed = 0;
    s->samples = 0;
    s->length = 0;
}

static uint32_t distance(uint32_t a, uint32_t b)
{
    uint32_t d = a - b;
    return d <= UINT32_MAX / 2 ? d : b - a;
}

/* Bytes of one sample of these rows at the averaging in force. */
static uint8_t sample_bytes(const kn_pod *pod, uint8_t rows)
{
    return kn_sample_bytes(&pod->table.shape, rows, pod->averaging);
}

/* Bytes that a frame has for samples: a partial one spends a byte on its mask. */
static uint8_t frame_room(const kn_pod *pod)
{
    uint8_t whole = pod->sampler.frame_rows == (uint8_t)(KN_BIT(pod->table.shape.rows) - 1);
    return whole ? KN_BATCH_BYTES : KN_BATCH_BYTES - 1;
}

static uint8_t samples_in_full_frame(const kn_pod *pod)
{
    return kn_samples_per_frame(sample_bytes(pod, pod->sampler.frame_rows), frame_room(pod),
                                pod->averaging, pod->raw_period, pod->port->tick_hz);
}

uint16_t kn_sampler_frame_bytes(const kn_pod *pod)
{
    uint8_t size = sample_bytes(pod, KN_ALL_ROWS);
    uint8_t count = kn_samples_per_frame(size, KN_BATCH_BYTES, pod->averaging, pod->raw_period,
                                         pod->port->tick_hz);
    return (uint16_t)(KN_FRAME_OVERHEAD + KN_SAMPLES_HEAD + (uint16_t)count * size);
}

int8_t kn_sampler_send(kn_pod *pod)
{
    kn_sampler *s = &pod->sampler;
    if (s->samples == 0) {
        return KN_OK;
    }
    if (!kn_send_samples(pod)) {
        return KN_E_FULL;
    }
    s->sequence++;
    s->samples = 0;
    s->length = 0;
    return KN_OK;
}

void kn_sampler_flush(kn_pod *pod)
{
    kn_sampler *s = &pod->sampler;
    if (kn_sampler_send(pod) != KN_OK) {
        pod->dropped += s->samples;
        kn_faults_dropped(&pod->faults);
        s->samples = 0;
        s->length = 0;
    }
}

void kn_sampler_step(kn_pod *pod)
{
    kn_sampler *s = &pod->sampler;
    if (s->samples > 0 && s->samples >= s->full) {
        (void)kn_sampler_send(pod);
    }
}

/* Whether the finished sample goes on where the frame ends, and fits into it. */
static uint8_t continues_frame(const kn_pod *pod)
{
    const kn_sampler *s = &pod->sampler;
    uint32_t ticks = s->samples * (uint32_t)pod->averaging * pod->raw_period;
    return s->rows == s->frame_rows && pod->averaging == s->frame_averaging &&
           distance(s->first_tick, s->frame_tick + ticks) <= TICK_TOLERANCE &&
           s->samples < UINT8_MAX && s->length + sample_bytes(pod, s->rows) <= frame_room(pod);
}

static void append(kn_pod *pod)
{
    kn_sampler *s = &pod->sampler;
    const int32_t *sum = s->sums;
    for (uint8_t row = 0; row < pod->table.shape.rows; row++) {
        uint8_t width = kn_sample_width(pod->table.shape.bits[row], pod->averaging);
        for (uint8_t axis = 0; axis < pod->table.shape.axes[row]; axis++, sum++) {
            uint32_t rest = (uint32_t)*sum;
            for (uint8_t i = 0; i < width && (s->rows & KN_BIT(row)); i++, rest >>= 8) {
                s->data[s->length++] = (uint8_t)rest;
            }
        }
    }
    s->samples++;
}

static void finish_sample(kn_pod *pod)
{
    kn_sampler *s = &pod->sampler;
    s->summed = 0;
    if (s->samples > 0 && !continues_frame(pod)) {
        kn_sampler_flush(pod);
    }
    if (s->rows == 0) {
        return;
    }
    if (s->samples == 0) {
        s->frame_rows = s->rows;
        s->frame_tick = s->first_tick;
        s->frame_averaging = pod->averaging;
        s->full = samples_in_full_frame(pod);
    }
    append(pod);
    kn_sampler_step(pod);
}

void kn_sampler_take(kn_pod *pod, uint32_t tick, uint8_t rows, const int32_t *values)
{
    kn_sampler *s = &pod->sampler;
    /* A reading was left out: the sample that lacks it is given up. */
    if (s->summed > 0 && distance(tick, s->last_tick + pod->raw_period) > pod->raw_period / 2) {
        s->summed = 0;
    }
    if (s->summed == 0) {
        memset(s->sums, 0, sizeof s->sums);
        s->first_tick = tick;
        s->rows = rows;
    }
    s->last_tick = tick;
    s->rows = (uint8_t)(s->rows & rows);
    for (uint8_t i = 0; i < KN_VALUES; i++) {
        s->sums[i] += values[i];
    }
    s->summed++;
    if (s->summed >= pod->averaging) {
        finish_sample(pod);
    }
}
