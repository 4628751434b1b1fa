/* The control socket: one command a line, one reply a line. */
#ifndef BENCH_CONTROL_H
#define BENCH_CONTROL_H

#include <stdbool.h>
#include <stdio.h>

/* Carry out one command line (changed in doing so) and write its reply; false ends the bench. */
bool control_line(char *line, FILE *reply);

#endif
