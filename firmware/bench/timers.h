/* The timers' remedy. */
#ifndef BENCH_TIMERS_H
#define BENCH_TIMERS_H

void timers_open(void);

#endif
