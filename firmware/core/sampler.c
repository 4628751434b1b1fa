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
    return rows == (uint8_t)(kn_bit(pod->table.shape.rows) - 1);
}

/* How a frame of these rows is filled. */
static void lay_out_frame(kn_pod *pod)
{
    kn_sampler *s = &pod->sampler;
    s->frame_rows = s->rows;
    /* A partial frame spends a byte on its mask. */
    s->room = (uint8_t)(KN_BATCH_BYTES - !is_whole(pod, s->rows));
    s->size = kn_sample_bytes(&pod->table.shape, s->rows, pod->averaging);
    s->full = kn_samples_per_frame(s->size, s->room, pod->averaging, pod->in_frame_time);
    s->frame_tick = s->first_tick;
    s->next_tick = s->first_tick;
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
        kn_faults_happened(&pod->faults, KN_PASSING_DROPPED);
        s->samples = 0;
        s->length = 0;
    }
}

void kn_sampler_step(kn_pod *pod)
{
    kn_sampler *s = &pod->sampler;
    uint8_t half = (uint8_t)(s->full / 2 + (s->full & 1));
    uint8_t full = (uint8_t)(pod->crowded_ms > 0 ? half : s->full);
    if (s->samples >= full) {
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
    const kn_shape *shape = &pod->table.shape;
    const int32_t *sum = s->sums;
    uint8_t *to = s->data + s->length;
    for (uint8_t row = 0; row < shape->rows; row++) {
        uint8_t there = s->rows & kn_bit(row);
        uint8_t width = there ? kn_sample_width(shape->bits[row], pod->averaging) : 0;
        for (uint8_t axis = shape->axes[row]; axis > 0; axis--) {
            uint32_t rest = (uint32_t)*sum++;
            for (uint8_t i = width; i > 0; i--) {
                *to++ = (uint8_t)rest;
                rest >>= 8;
            }
        }
    }
    s->length = (uint8_t)(s->length + s->size);
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
        lay_out_frame(pod);
    }
    append(pod);
    s->next_tick += pod->averaging * pod->raw_period;
    kn_sampler_step(pod);
}

void kn_sampler_take(kn_pod *pod, uint32_t tick, uint8_t rows, const int32_t *values)
{
    kn_sampler *s = &pod->sampler;
    /* A reading was left out: the sample that lacks it is given up. */
    if (tick - s->last_tick > pod->longest_step) {
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
