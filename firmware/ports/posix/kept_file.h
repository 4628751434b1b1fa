/* The pod's kept memory as a file. */
#ifndef POSIX_KEPT_FILE_H
#define POSIX_KEPT_FILE_H

#include <stddef.h>
#include <stdint.h>

/* Read the memory; a file that is not there is an erased memory. 0, or -1 with the reason
 * printed. */
int kept_read(const char *path, uint8_t *memory, size_t size);

/* Replace the file whole: whoever reads it, also after a crash, finds the old or the new one. 0,
 * or -1 with the reason printed. */
int kept_write(const char *path, const uint8_t *memory, size_t size);

#endif
