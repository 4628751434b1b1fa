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
    KN_PASSING
};

/* All 0: no faults. */
typedef struct kn_faults {
    uint8_t standing[KN_FAULT_CODES]; /* sets of places */
    uint8_t told[KN_FAULT_CODES];
    uint8_t left[KN_PASSING];         /* tenths of a second until it goes */
    uint8_t ms;                       /* into the next tenth */
    uint8_t tenths;                   /* into the next second */
    uint16_t quiet;                   /* bit `code`: told in this second, not to be told again */
} kn_faults;

/* The set of places where this fault stands is now this one. */
void kn_faults_set(kn_faults *f, uint8_t code, uint8_t places);

/* The fault stands at these places too. */
void kn_faults_raise(kn_faults *f, uint8_t code, uint8_t places);

/* The fault does not stand at these places. */
void kn_faults_clear(kn_faults *f, uint8_t code, uint8_t places);

/* A passing fault (enum kn_passing) has happened: BUS then stands for 1 s, OVERRUN and DROPPED for 5 s. */
void kn_faults_happened(kn_faults *f, uint8_t which);

/* The rows mean something else from now on: their faults are gone. */
void kn_faults_forget_rows(kn_faults *f);

/* Tell everything that stands anew. */
void kn_faults_tell_again(kn_faults *f);

/* Let time pass. */
void kn_faults_pass(kn_faults *f, uint16_t elapsed_ms);

/* Find a fault to tell. Returns 1 with its code, channel (KN_WHOLE_POD for the pod) and whether
 * it is present; 0 if there is none. A code is told at most once in
 * each second. */
uint8_t kn_faults_next(kn_faults *f, uint8_t *code, uint8_t *channel, uint8_t *present);

/* What kn_faults_next() found has been sent. */
void kn_faults_told(kn_faults *f, uint8_t code, uint8_t channel);

/* Bit `code` for each fault that stands anywhere. */
uint16_t kn_faults_bits(const kn_faults *f);

#endif
