/* Commands for what is around the chip. Each returns false if it does not take its words. */
#ifndef BENCH_CONTROL_DEVICES_H
#define BENCH_CONTROL_DEVICES_H

#include <stdbool.h>
#include <stdio.h>

bool device_feed(int words, char **word, FILE *reply);
bool device_sensor(int words, char **word, FILE *reply);
bool device_bus(int words, char **word, FILE *reply);
bool device_analog(int words, char **word, FILE *reply);
bool device_supply(int words, char **word, FILE *reply);
bool device_caliper(int words, char **word, FILE *reply);
bool device_pin(int words, char **word, FILE *reply);

#endif
