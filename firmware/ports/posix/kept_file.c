#include "kept_file.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static int failed(const char *path, const char *why)
{
    fprintf(stderr, "knuckle-pod: settings file %s: %s\n", path, why);
    return -1;
}

int kept_read(const char *path, uint8_t *memory, size_t size)
{
    FILE *file = fopen(path, "rb");
    if (file == NULL) {
        return errno == ENOENT ? 0 : failed(path, strerror(errno));
    }
    const size_t got = fread(memory, 1, size, file);
    const int longer = fgetc(file) != EOF;
    fclose(file);
    /* Anything else is somebody's file, which must not be written over. */
    return got == size && !longer ? 0 : failed(path, "not one that this program wrote");
}

int kept_write(const char *path, const uint8_t *memory, size_t size)
{
    char beside[1024];
    if (snprintf(beside, sizeof beside, "%s.new", path) >= (int)sizeof beside) {
        return failed(path, strerror(ENAMETOOLONG));
    }
    FILE *file = fopen(beside, "wb");
    if (file == NULL) {
        return failed(beside, strerror(errno));
    }
    const int written = fwrite(memory, 1, size, file) == size && fflush(file) == 0 &&
                        fsync(fileno(file)) == 0;
    if (fclose(file) != 0 || !written || rename(beside, path) != 0) {
        const int why = errno;
        unlink(beside);
        return failed(path, strerror(why));
    }
    return 0;
}
