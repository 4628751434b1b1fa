/* The inputs beside the bus: potentiometer, caliper, supply. Which of them are there. */
#ifndef KN_INPUTS_H
#define KN_INPUTS_H

#include <stdint.h>

struct kn_pod;

/* See whether a potentiometer is connected, and begin to measure the supply, if no reading is
 * due meanwhile. Returns 0 if one is: ask again. With a potentiometer and more than some 270
 * readings a second there is no such pause: its absence and a low supply then show only after
 * the stream. */
uint8_t kn_inputs_look(struct kn_pod *pod);

/* The caliper's value. Returns whether there is one. */
uint8_t kn_inputs_take_caliper(struct kn_pod *pod, int32_t *value);

/* Notice whether a caliper is there. */
void kn_inputs_pass(struct kn_pod *pod);

/* Compare the last measurement of the supply with the board's limit. */
void kn_inputs_judge_supply(struct kn_pod *pod);

#endif
