/* The frames from pod to host, byte by byte as in docs/protocol.md. Each returns the bytes
 * that it took on the line, 0 if there was no room. */
#ifndef KN_REPORTS_H
#define KN_REPORTS_H

#include <stdint.h>

struct kn_pod;

uint16_t kn_send_hello(struct kn_pod *pod);
uint16_t kn_send_status(struct kn_pod *pod);
uint16_t kn_send_fault(struct kn_pod *pod, uint8_t code, uint8_t channel, uint8_t present);
uint16_t kn_send_button(struct kn_pod *pod);
uint16_t kn_send_samples(struct kn_pod *pod);
uint16_t kn_send_ack(struct kn_pod *pod, uint8_t token, uint8_t command, uint8_t code);
uint16_t kn_send_settings(struct kn_pod *pod, uint8_t token, uint16_t offset, uint8_t length);
uint16_t kn_send_clock(struct kn_pod *pod, uint8_t token, uint32_t tick);
uint16_t kn_send_verdicts(struct kn_pod *pod, uint8_t token);

/* Bytes of a hello on the line. */
uint16_t kn_hello_bytes(const struct kn_pod *pod);

/* Whether a report of so many bytes may be sent now. While the pod streams it must leave room
 * for the sample frame that is being filled; if it does not, the next frames are sent half full,
 * so that there soon is room. */
uint8_t kn_report_fits(struct kn_pod *pod, uint16_t bytes);

#endif
