#include "cues.h"

#include "errors.h"
#include "flash.h"

/* A tone (0: pause) for some time; the light shines with the tone. Lengths in units of 10 ms so
 * that a step takes two bytes; tones by number. A length of 0 ends the pattern. */
typedef struct step {
    uint8_t tone;
    uint8_t length;
} step;

#define LENGTH_MS 10

enum { PAUSE, LOW, MIDDLE, HIGH, TOP, TONES };

/* A fifth, a fourth and a third apart, where small piezo buzzers are loud; by tens of
 * hertz. */
#define TONE_UNIT_HZ 10
static const uint8_t tones[TONES] KN_FLASH = {0, 100, 150, 200, 250};

/* Told apart without looking: going up is good, going down is not, a long low one is trouble. */
static const step steps[] KN_FLASH = {
    /* SILENT */ {PAUSE, 0},
    /* HOLD_STILL */ {MIDDLE, 40}, {PAUSE, 0},
    /* TAKEN */ {HIGH, 8}, {PAUSE, 6}, {TOP, 16}, {PAUSE, 0},
    /* MOVE_ON */ {HIGH, 6}, {PAUSE, 6}, {HIGH, 6}, {PAUSE, 0},
    /* GO_BACK */ {MIDDLE, 12}, {PAUSE, 4}, {LOW, 24}, {PAUSE, 0},
    /* FINISHED */ {LOW, 10}, {MIDDLE, 10}, {HIGH, 10}, {TOP, 40}, {PAUSE, 0},
    /* TROUBLE */ {LOW, 30}, {PAUSE, 15}, {LOW, 30}, {PAUSE, 15}, {LOW, 60}, {PAUSE, 0},
    /* LINK_LOST */ {HIGH, 10}, {MIDDLE, 10}, {LOW, 30}, {PAUSE, 0},
    /* LINK_BACK */ {LOW, 10}, {MIDDLE, 10}, {HIGH, 20}, {PAUSE, 0},
};

static const uint8_t first_step[KN_CUES] KN_FLASH = {0, 1, 3, 7, 11, 15, 20, 26, 30};

static void sound(const kn_cues *c, uint8_t tone)
{
    uint16_t hz = (uint16_t)(kn_flash_byte(&tones[tone]) * TONE_UNIT_HZ);
    c->port->tone(c->port->self, hz);
    c->port->light(c->port->self, tone != PAUSE);
}

/* Begin the step that stands in `step`. */
static void enter(kn_cues *c)
{
    uint8_t length = kn_flash_byte(&steps[c->step].length);
    c->playing = length > 0;
    c->left_ms = (uint16_t)(length * LENGTH_MS);
    sound(c, length > 0 ? kn_flash_byte(&steps[c->step].tone) : PAUSE);
}

void kn_cues_reset(kn_cues *c, const kn_port *port)
{
    c->port = port;
    (void)kn_cues_play(c, KN_CUE_SILENT);
}

int8_t kn_cues_play(kn_cues *c, uint8_t cue)
{
    if (cue >= KN_CUES) {
        return KN_E_VALUE;
    }
    c->step = kn_flash_byte(&first_step[cue]);
    enter(c);
    return KN_OK;
}

void kn_cues_pass(kn_cues *c, uint16_t elapsed_ms)
{
    while (c->playing && elapsed_ms >= c->left_ms) {
        elapsed_ms = (uint16_t)(elapsed_ms - c->left_ms);
        c->step++;
        enter(c);
    }
    if (c->playing) {
        c->left_ms = (uint16_t)(c->left_ms - elapsed_ms);
    }
}
