/* Little-endian numbers in received bytes. */
#ifndef KN_BYTES_H
#define KN_BYTES_H

#include <stdint.h>

static inline uint16_t kn_get_u16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)((uint16_t)at[1] << 8));
}

static inline uint32_t kn_get_u32(const uint8_t *at)
{
    return (uint32_t)kn_get_u16(at) | ((uint32_t)kn_get_u16(at + 2) << 16);
}

#endif
