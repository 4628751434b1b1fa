#include "bytes.h"

#include "once.h"

uint16_t kn_get_u16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)((uint16_t)at[1] << 8));
}

KN_ONCE uint32_t kn_get_u32(const uint8_t *at)
{
    return (uint32_t)kn_get_u16(at) | ((uint32_t)kn_get_u16(at + 2) << 16);
}

KN_ONCE void kn_set_u32(uint8_t *at, uint32_t value)
{
    for (uint8_t i = 0; i < 4; i++) {
        at[i] = (uint8_t)value;
        value >>= 8;
    }
}
