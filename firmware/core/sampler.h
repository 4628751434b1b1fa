/* Readings to samples (sums of n), samples to frames. */
#ifndef KN_SAMPLER_H
#define KN_SAMPLER_H

#include <stdint.h>

#include "table.h"

struct kn_pod;

#define KN_BATCH_BYTES (KN_PAYLOAD_LONGEST - KN_SAMPLES_HEAD)

typedef struct kn_sampler {
    /* The sample being summed. */
    int32_t sums[KN_VALUES];
    uint32_t first_tick; /* start of its first reading */
    uint32_t last_tick;  /* start of its last reading so far */
    uint16_t summed;
    uint8_t rows;        /* set of the rows that all its readings had */
    /* The frame being filled. */
    uint8_t frame_rows;
    uint8_t room;        /* bytes for samples */
    uint8_t size;        /* bytes of a sample */
    uint32_t frame_tick;
    uint32_t next_tick;  /* where its next sample starts */
    uint8_t full;        /* samples at which it goes out */
    uint8_t samples;
    uint8_t length;
    uint8_t data[KN_BATCH_BYTES];
    uint16_t sequence;   /* of that frame */
} kn_sampler;

/* Begin anew: no sample, no frame; the sequence goes on. */
void kn_sampler_clear(kn_sampler *s);

/* Take one reading: its start, the set of rows that it has, the numbers of all rows. */
void kn_sampler_take(struct kn_pod *pod, uint32_t tick, uint8_t rows, const int32_t *values);

/* Send the frame if it is full and there is room for it. */
void kn_sampler_step(struct kn_pod *pod);

/* Send the frame now, whatever it holds. KN_E_FULL if there is no room for it. */
int8_t kn_sampler_send(struct kn_pod *pod);

/* Send the frame now, whatever it holds; what finds no room is dropped. */
void kn_sampler_flush(struct kn_pod *pod);

#endif
