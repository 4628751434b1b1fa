#include "hex.h"

#include <string.h>

void hex_write(FILE *to, const uint8_t *data, size_t length)
{
    static const char digit[] = "0123456789abcdef";
    for (size_t i = 0; i < length; i++) {
        fputc(digit[data[i] >> 4], to);
        fputc(digit[data[i] & 15], to);
    }
}

static int nibble(char c)
{
    if (c >= '0' && c <= '9') {
        return c - '0';
    }
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : c >= 'A' && c <= 'F' ? c - 'A' + 10 : -1;
}

bool hex_read(const char *text, uint8_t *into, size_t size, size_t *length)
{
    size_t digits = strlen(text);
    *length = digits / 2;
    if (digits % 2 || *length > size) {
        return false;
    }
    for (size_t i = 0; i < *length; i++) {
        int high = nibble(text[2 * i]), low = nibble(text[2 * i + 1]);
        if (high < 0 || low < 0) {
            return false;
        }
        into[i] = (uint8_t)(high << 4 | low);
    }
    return true;
}
