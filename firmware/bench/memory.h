/* The EEPROM: write time, content, and what a power cut does to the byte being written. */
#ifndef BENCH_MEMORY_H
#define BENCH_MEMORY_H

#include <stdbool.h>
#include <stdint.h>

#define MEMORY_SIZE 1024u

void memory_open(void);
void memory_after_reset(void);
void memory_power_lost(void);
bool memory_get(uint16_t at, uint8_t *into, uint16_t length);
bool memory_set(uint16_t at, const uint8_t *from, uint16_t length);
/* Whether a byte is being written now. */
bool memory_busy(void);
extern uint64_t memory_writes;

#endif
