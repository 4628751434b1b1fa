#include "options.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char help[] =
    "knuckle-pod: the pod's program on this computer, with SIMULATED sensors.\n"
    "\n"
    "  --pty               serve a pseudo terminal and print its path (default)\n"
    "  --unix PATH         serve a local socket\n"
    "  --tcp PORT          serve a TCP port of this computer alone; 0 takes a free one\n"
    "  --settings FILE     keep the settings in FILE; without it they are lost at the end\n"
    "  --sensors LIST      of mpu6050,adxl355,potentiometer,caliper, or none (default mpu6050)\n"
    "  --camber DEG        the camber that the simulated wheel stands at, still (default 0)\n"
    "  --seed N            of the simulated noise (default 1)\n"
    "  --until-eof         end when standard input ends: with the program that started this one\n"
    "\n"
    "The first line printed is the address to read it by. Ctrl-C ends it.\n";

static int wrong(const char *what, const char *word)
{
    fprintf(stderr, "knuckle-pod: %s '%s'. --help shows the options.\n", what, word);
    return 3;
}

static int read_sensors(options *o, const char *list)
{
    o->mpu6050 = o->adxl355 = o->potentiometer = o->caliper = 0;
    while (*list != '\0') {
        const size_t length = strcspn(list, ",");
        const struct {
            const char *name;
            int *flag;
        } row[] = {{"mpu6050", &o->mpu6050},
                   {"adxl355", &o->adxl355},
                   {"potentiometer", &o->potentiometer},
                   {"caliper", &o->caliper},
                   {"none", NULL}};
        size_t i = 0;
        while (i < 5 &&
               (strlen(row[i].name) != length || strncmp(row[i].name, list, length) != 0)) {
            i++;
        }
        if (i == 5) {
            return wrong("no such sensor in", list);
        }
        if (row[i].flag != NULL) {
            *row[i].flag = 1;
        }
        list += length;
        list += *list == ',';
    }
    return 0;
}

static int read_valued(options *o, const char *name, const char *value)
{
    char *end = NULL;
    if (strcmp(name, "--unix") == 0) {
        o->line = LINE_UNIX;
        o->place = value;
    } else if (strcmp(name, "--tcp") == 0) {
        const long port = strtol(value, &end, 10);
        o->line = LINE_TCP;
        o->place = value;
        if (*value == '\0' || *end != '\0' || port < 0 || port > 65535) {
            return wrong("no port", value);
        }
    } else if (strcmp(name, "--settings") == 0) {
        o->settings = value;
    } else if (strcmp(name, "--sensors") == 0) {
        return read_sensors(o, value);
    } else if (strcmp(name, "--camber") == 0) {
        o->camber_deg = strtod(value, &end);
        if (*value == '\0' || *end != '\0' || !(fabs(o->camber_deg) <= 90.0)) {
            return wrong("no angle", value);
        }
    } else if (strcmp(name, "--seed") == 0) {
        o->seed = strtoull(value, &end, 10);
        if (*value == '\0' || *end != '\0') {
            return wrong("no whole number", value);
        }
    } else {
        return wrong("no option", name);
    }
    return 0;
}

int read_options(options *o, int count, char **words)
{
    *o = (options){.line = LINE_PTY, .mpu6050 = 1, .seed = 1};
    for (int i = 1; i < count; i++) {
        if (strcmp(words[i], "--help") == 0) {
            fputs(help, stdout);
            return 1;
        }
        if (strcmp(words[i], "--pty") == 0) {
            o->line = LINE_PTY;
        } else if (strcmp(words[i], "--until-eof") == 0) {
            o->until_eof = 1;
        } else if (i + 1 == count) {
            return wrong("unknown, or without its value:", words[i]);
        } else {
            const int end = read_valued(o, words[i], words[i + 1]);
            if (end != 0) {
                return end;
            }
            i++;
        }
    }
    return 0;
}
