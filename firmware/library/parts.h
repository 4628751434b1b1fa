/* Parts of the core by themselves, for tests that look at one function. Between the marks plain
 * declarations, which Python reads too. */
#ifndef LIBRARY_PARTS_H
#define LIBRARY_PARTS_H

#include <stddef.h>
#include <stdint.h>

/* begin of the declarations */
/* CRC-16/IBM-3740. */
uint16_t part_crc(const uint8_t *data, size_t length);

/* Write a frame of this type, delimiters included, into `into`, which has `room`; returns its
 * bytes, 0 if it does not fit. */
size_t part_write_frame(uint8_t type, const uint8_t *payload, size_t length, uint8_t *into,
                        size_t room);

/* The decoder of received bytes. */
typedef struct part_receiver part_receiver;
part_receiver *part_receiver_new(void);
void part_receiver_free(part_receiver *r);
/* Take a byte. -1: a damaged frame was thrown away; 0: nothing is complete; else the length of
 * the frame's type and payload, copied into `into` (134 bytes). */
int part_receiver_take(part_receiver *r, uint8_t byte, uint8_t *into);

/* The rule "Averaging and the line" of docs/protocol.md. */
uint8_t part_sample_width(uint8_t bits, uint16_t averaging);
uint16_t part_least_averaging(uint8_t rows, const uint8_t *axes, const uint8_t *bits, uint32_t baud,
                              uint32_t raw_period, uint32_t tick_hz);
/* end of the declarations */

#endif
