/* Little-endian numbers in bytes. */
#ifndef KN_BYTES_H
#define KN_BYTES_H

#include <stdint.h>

uint16_t kn_get_u16(const uint8_t *at);
uint32_t kn_get_u32(const uint8_t *at);
void kn_set_u32(uint8_t *at, uint32_t value);

#endif
