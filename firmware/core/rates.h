/* How often to read, how many readings to sum: what the host asks for and the line carries. */
#ifndef KN_RATES_H
#define KN_RATES_H

#include <stdint.h>

struct kn_pod;

/* Bring the averaging in force up to date after a change of table or line. */
void kn_rates_follow(struct kn_pod *pod);

/* Take a raw period and averaging into force; 0 leaves a value as it is. KN_E_VALUE if the pod
 * cannot do it. Samples under way are given up: send them before. */
int8_t kn_rates_set(struct kn_pod *pod, uint32_t raw_period, uint16_t averaging);

#endif
