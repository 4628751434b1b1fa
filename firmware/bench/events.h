/* What happened at which cycle, for those kinds that are asked for. */
#ifndef BENCH_EVENTS_H
#define BENCH_EVENTS_H

#include <stdint.h>
#include <stdio.h>

enum event_kind {
    EVENT_RAISED,     /* 'r': interrupt vector became pending */
    EVENT_SERVED,     /* 's': interrupt vector was entered */
    EVENT_START,      /* 'b': START on the sensor bus begins, 1 if repeated */
    EVENT_ADDRESS,    /* 'a': address byte begins, R/W in bit 0 */
    EVENT_CONVERSION, /* 'c': analog conversion began, ADMUX */
    EVENT_SLEEP,      /* 'z': sleep instruction, mode */
    EVENT_TONE,       /* 't': buzzer frequency in Hz, 0 off */
    EVENT_LIGHT,      /* 'l': light 0 or 1 */
    EVENT_MEMORY,     /* 'm': a byte of the EEPROM begins to be written, its address */
    EVENT_RESET,      /* 'x': reset, cause */
    EVENT_KINDS
};

/* Note an event if its kind is asked for; counted in any case. */
void event(enum event_kind kind, uint32_t value);
void event_at(enum event_kind kind, uint64_t cycle, uint32_t value);
uint64_t event_count(enum event_kind kind);
/* Ask for the kinds whose letters are in `kinds`, no others. */
void event_select(const char *kinds);
/* Write all events noted, "kind:cycle:value" apart by spaces, and forget them. */
void event_drain(FILE *to);

#endif
