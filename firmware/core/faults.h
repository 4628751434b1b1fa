/* Which faults stand, for which rows, and what the host has been told of it.
 *
 * A set of places is a byte: bit i is row i of the channel table, KN_POD_PLACE the pod itself.
 * Nothing is queued: what stands is compared with what was told, so that however fast faults
 * come and go, memory and traffic are bounded. */
#ifndef KN_FAULTS_H
#define KN_FAULTS_H

#include <stdint.h>

#include "protocol.h"

#define KN_POD_PLACE 0x80u

/* Faults that go by themselves some time after their last occurrence. */
enum kn_passing {
    KN_PASSING_BUS,
    KN_PASSING_OVERRUN,
    KN_PASSING_DROPPED,
    KN_PASSING_RANGE, /* one for each row of the first KN_RANGE_ROWS */
    KN_RANGE_ROWS = 2,
    KN_PASSING = KN_PASSING_RANGE + KN_RANGE_ROWS
};

typedef struct kn_faults {
    uint8_t standing[KN_FAULT_CODES]; /* sets of places */
    uint8_t told[KN_FAULT_CODES];
    uint8_t quiet[KN_FAULT_CODES];    /* tenths of a second until this code may be told again */
    uint8_t left[KN_PASSING];         /* tenths of a second until it goes */
    uint8_t ms;                       /* into the next tenth */
} kn_faults;

/* No faults. */
void kn_faults_reset(kn_faults *f);

/* The set of places where this fault stands is now this one. */
void kn_faults_set(kn_faults *f, uint8_t code, uint8_t places);

/* The fault stands, or does not, at these places; others stay as they are. */
void kn_faults_change(kn_faults *f, uint8_t code, uint8_t places, uint8_t present);

/* It has happened: BUS and RANGE then stand for 1 s, OVERRUN and DROPPED for 5 s. */
void kn_faults_bus(kn_faults *f);
void kn_faults_overrun(kn_faults *f);
void kn_faults_dropped(kn_faults *f);
void kn_faults_range(kn_faults *f, uint8_t row);

/* The rows mean something else from now on: their faults are gone. */
void kn_faults_forget_rows(kn_faults *f);

/* Tell everything that stands anew. */
void kn_faults_tell_again(kn_faults *f);

/* Let time pass. */
void kn_faults_pass(kn_faults *f, uint16_t elapsed_ms);

/* Find a fault to tell. Returns 1 with its code, channel (KN_WHOLE_POD for the pod) and whether
 * it is present; 0 if there is none. A code is told at most once a second each way. */
uint8_t kn_faults_next(kn_faults *f, uint8_t *code, uint8_t *channel, uint8_t *present);

/* What kn_faults_next() found has been sent. */
void kn_faults_told(kn_faults *f, uint8_t code, uint8_t channel);

/* Bit `code` for each fault that stands anywhere. */
uint32_t kn_faults_bits(const kn_faults *f);

#endif
