/* CRC-16/IBM-3740: polynomial 1021, initial value FFFF, not reflected, no final XOR. */
#ifndef KN_CRC_H
#define KN_CRC_H

#include <stddef.h>
#include <stdint.h>

#define KN_CRC_START 0xFFFFu

/* The CRC with one more byte. */
uint16_t kn_crc_byte(uint16_t crc, uint8_t byte);

/* The CRC with `length` more bytes. */
uint16_t kn_crc_bytes(uint16_t crc, const uint8_t *data, size_t length);

#endif
