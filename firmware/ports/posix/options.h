/* What the command line asks for. */
#ifndef POSIX_OPTIONS_H
#define POSIX_OPTIONS_H

#include <stdint.h>

enum line_kind { LINE_PTY, LINE_UNIX, LINE_TCP };

typedef struct options {
    enum line_kind line;
    const char *place;    /* path of the socket, or port number */
    const char *settings; /* file; NULL: nothing is kept */
    int mpu6050;
    int adxl355;
    int potentiometer;
    int caliper;
    double camber_deg;
    uint64_t seed;
    int until_eof;
} options;

/* 0: go on. Else end with that exit code plus 1: help was shown (1), or it makes no sense (3). */
int read_options(options *o, int count, char **words);

#endif
