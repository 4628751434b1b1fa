/* Patterns of buzzer and light that tell a person what to do: docs/protocol.md, CUE. They play
 * by themselves while everything else goes on. */
#ifndef KN_CUES_H
#define KN_CUES_H

#include <stdint.h>

#include "port.h"

enum kn_cue {
    KN_CUE_SILENT = 0,
    KN_CUE_HOLD_STILL = 1,
    KN_CUE_TAKEN = 2,
    KN_CUE_MOVE_ON = 3,
    KN_CUE_GO_BACK = 4,
    KN_CUE_FINISHED = 5,
    KN_CUE_TROUBLE = 6,
    KN_CUE_LINK_LOST = 7,
    KN_CUE_LINK_BACK = 8,
    KN_CUES
};

typedef struct kn_cues {
    const kn_port *port;
    uint8_t playing; /* whether a pattern plays */
    uint8_t step;    /* of all patterns' steps, cues.c */
    uint16_t left_ms;
} kn_cues;

/* Silence, light off. */
void kn_cues_reset(kn_cues *c, const kn_port *port);

/* Play a pattern from its beginning, in place of the one that plays. KN_E_VALUE if there is no
 * such pattern. */
int8_t kn_cues_play(kn_cues *c, uint8_t cue);

/* Let time pass. */
void kn_cues_pass(kn_cues *c, uint16_t elapsed_ms);

#endif
