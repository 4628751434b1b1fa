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

static uint8_t is_whole(const kn_pod *pod, uint8_t rows)
{
    return rows == (uint8_t)(KN_BIT(pod->table.shape.rows) - 1);
}

/* How a frame of these rows is filled: bytes of a sample, of all samples, number of samples. */
static void lay_out_frame(kn_pod *pod, uint8_t rows)
{
    kn_sampler *s = &pod->sampler;
    s->frame_rows = rows;
    s->room = KN_BATCH_BYTES;
    s->size = pod->sample_bytes;
    s->full = pod->frame_samples;
    if (!is_whole(pod, rows)) {
        /* A partial frame spends a byte on its mask. */
        s->room = KN_BATCH_BYTES - 1;
        s->size = kn_sample_bytes(&pod->table.shape, rows, pod->averaging);
        s->full = kn_samples_per_frame(s->size, s->room, pod->averaging, pod->raw_period,
                                       pod->port->tick_hz);
    }
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
    uint32_t behind = s->first_tick - s->next_tick + TICK_TOLERANCE;
    return s->rows == s->frame_rows && behind <= 2 * TICK_TOLERANCE && s->samples < UINT8_MAX &&
           s->length + s->size <= s->room;
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
        lay_out_frame(pod, s->rows);
        s->frame_tick = s->first_tick;
        s->next_tick = s->first_tick;
    }
    append(pod);
    s->next_tick += pod->averaging * pod->raw_period;
    kn_sampler_step(pod);
}

void kn_sampler_take(kn_pod *pod, uint32_t tick, uint8_t rows, const int32_t *values)
{
    kn_sampler *s = &pod->sampler;
    /* A reading was left out: the sample that lacks it is given up. */
    if (tick - s->last_tick > pod->raw_period + pod->raw_period / 2) {
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
