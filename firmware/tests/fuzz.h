/* A fuzz target: libFuzzer's interface, so that it serves both libFuzzer and fuzz_driver.c. */
#ifndef FUZZ_H
#define FUZZ_H

#include <stddef.h>
#include <stdint.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Put a command with its CRC, stuffing and delimiters into `into` (300 bytes); returns its
 * length. Written anew here from docs/protocol.md, apart from the core's own. */
size_t fuzz_frame(const uint8_t *body, size_t length, uint8_t *into);

/* Type of the frame whose stuffed bytes these are, 0 if it is no good frame; `body` gets its
 * bytes (260), `length` their number without the CRC. */
uint8_t fuzz_unframe(const uint8_t *stuffed, size_t size, uint8_t *body, size_t *length);

#define FUZZ_MUST(condition) fuzz_must((condition) != 0, #condition, __FILE__, __LINE__)
void fuzz_must(int good, const char *what, const char *file, int line);

#endif
