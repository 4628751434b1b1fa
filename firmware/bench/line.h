/* The serial line: bytes at their time in both directions, and the UART's remedies. */
#ifndef BENCH_LINE_H
#define BENCH_LINE_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

void line_open(void);
void line_after_reset(void);
void line_power_lost(void);

/* Bits a second at the computer's end; 0 follows the pod. */
void line_set_baud(uint32_t baud);
/* Put bytes on the way to the pod; they arrive one each byte-time. */
void line_to_pod(const uint8_t *data, size_t length);
size_t line_waiting(void);
/* Take up to `size` bytes that have arrived at the computer by now. */
size_t line_from_pod(uint8_t *into, size_t size);
/* Give the computer's file descriptor, or -1: bytes then come and go there. */
void line_attach(int descriptor);
void line_exchange(void);

extern uint64_t line_sent, line_received, line_overruns, line_garbled;
/* Cycles of a byte at the pod's end. */
uint32_t line_byte_cycles(void);

#endif
