#include "crc.h"

#include "once.h"

/* The eight steps of polynomial division at once: no table, some thirty instructions. */
KN_ONCE uint16_t kn_crc_byte(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)((crc >> 8) ^ byte);
    x = (uint8_t)(x ^ (x >> 4));
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^
                      (uint16_t)((uint16_t)x << 5) ^ x);
}

uint16_t kn_crc_bytes(uint16_t crc, const uint8_t *data, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        crc = kn_crc_byte(crc, data[i]);
    }
    return crc;
}
