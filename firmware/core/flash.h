/* Constant tables in flash: on AVR constants live in RAM unless told otherwise, and are then
 * read by an instruction of their own. Elsewhere flash is ordinary memory. */
#ifndef KN_FLASH_H
#define KN_FLASH_H

#include <stddef.h>
#include <stdint.h>

#ifdef __AVR__

#include <avr/pgmspace.h>

/* Behind the name of a constant: `static const uint8_t table[] KN_FLASH = {...};` */
#define KN_FLASH PROGMEM

/* The byte at `at`, which lies in flash. */
static inline uint8_t kn_flash_byte(const void *at)
{
    return pgm_read_byte(at);
}

/* Copy `length` bytes from flash. */
static inline void kn_flash_copy(void *into, const void *from, size_t length)
{
    memcpy_P(into, from, length);
}

#else

#include <string.h>

#define KN_FLASH

static inline uint8_t kn_flash_byte(const void *at)
{
    return *(const uint8_t *)at;
}

static inline void kn_flash_copy(void *into, const void *from, size_t length)
{
    memcpy(into, from, length);
}

#endif

#endif
