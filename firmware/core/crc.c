#include "crc.h"

#include "once.h"

/* The eight steps of polynomial division at once: no table, some twenty instructions of an 8-bit
 * machine, for which it is put byte by byte: x, x << 5 and x << 12 are added to crc << 8. */
KN_ONCE uint16_t kn_crc_byte(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)((crc >> 8) ^ byte);
    x = (uint8_t)(x ^ (x >> 4));
    uint8_t high = (uint8_t)(crc ^ (uint8_t)(x << 4) ^ (x >> 3));
    uint8_t low = (uint8_t)(x ^ (uint8_t)(x << 5));
    return (uint16_t)((uint16_t)high << 8 | low);
}

uint16_t kn_crc_bytes(uint16_t crc, const uint8_t *data, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        crc = kn_crc_byte(crc, data[i]);
    }
    return crc;
}
