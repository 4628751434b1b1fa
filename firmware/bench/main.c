/* The bench: one emulated ATmega328P with its sensors, told what to do over a socket.
 *
 *     bench --elf FILE (--control FD | --listen PATH) [--seed N] [--pty] [--realtime]
 *           [--without REMEDY]...
 *
 * Without --realtime time stands still until a "run" comes. It ends with its parent and when the
 * control socket is closed. */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "chip.h"
#include "control.h"
#include "line.h"

#define SLICE_US 1000u
#define BEHIND_US 200000 /* more than that late: time is given up, not made good in a rush */
#define LONGEST_LINE (1u << 21)

static char text[LONGEST_LINE];
static size_t filled;

static int fail(const char *what, const char *which)
{
    fprintf(stderr, "bench: %s %s\n", what, which);
    return 2;
}

static int listen_at(const char *path)
{
    struct sockaddr_un where = {.sun_family = AF_UNIX};
    int waiting = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (waiting < 0 || strlen(path) >= sizeof where.sun_path) {
        return -1;
    }
    strcpy(where.sun_path, path);
    if (bind(waiting, (struct sockaddr *)&where, sizeof where) != 0 || listen(waiting, 1) != 0) {
        return -1;
    }
    printf("listening\n");
    fflush(stdout);
    int accepted = accept4(waiting, NULL, NULL, SOCK_CLOEXEC);
    close(waiting);
    unlink(path);
    return accepted;
}

/* Our own hold on the far end keeps the line up while the computer's program comes and goes. */
static int open_line(char *name, size_t size)
{
    int near = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (near < 0 || grantpt(near) != 0 || unlockpt(near) != 0 || ptsname_r(near, name, size) != 0) {
        return -1;
    }
    int far = open(name, O_RDWR | O_NOCTTY);
    struct termios raw;
    if (far < 0 || tcgetattr(far, &raw) != 0) {
        return -1;
    }
    cfmakeraw(&raw);
    tcsetattr(far, TCSANOW, &raw);
    return near;
}

/* Carry out every whole line; false ends the bench. */
static bool obey(FILE *reply)
{
    char *newline;
    while ((newline = memchr(text, '\n', filled))) {
        *newline = '\0';
        bool go_on = control_line(text, reply);
        fflush(reply);
        filled -= (size_t)(newline + 1 - text);
        memmove(text, newline + 1, filled);
        if (!go_on) {
            return false;
        }
    }
    return filled < sizeof text;
}

static int64_t wall_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static void keep_pace(int64_t *started_us, uint64_t *from_cycle)
{
    int64_t due_us = *started_us + (int64_t)((chip->cycle - *from_cycle) / CYCLES_PER_US);
    int64_t now_us = wall_us();
    if (now_us - due_us > BEHIND_US) {
        *started_us = now_us;
        *from_cycle = chip->cycle;
    }
    if (now_us >= due_us) {
        line_exchange();
        chip_run_to(chip->cycle + SLICE_US * CYCLES_PER_US);
        line_exchange();
    }
}

static int serve(int control, bool real_time)
{
    FILE *reply = fdopen(dup(control), "w");
    int64_t started_us = wall_us();
    uint64_t from_cycle = chip->cycle;
    if (!reply) {
        return fail("the control socket", strerror(errno));
    }
    for (;;) {
        struct pollfd wait = {.fd = control, .events = POLLIN};
        if (poll(&wait, 1, real_time ? 1 : -1) > 0) {
            ssize_t got = read(control, text + filled, sizeof text - filled);
            if (got <= 0) {
                return 0;
            }
            filled += (size_t)got;
            if (!obey(reply)) {
                return 0;
            }
        }
        if (real_time) {
            keep_pace(&started_us, &from_cycle);
        }
    }
}

int main(int words, char **word)
{
    const char *elf = NULL, *path = NULL;
    int control = -1;
    uint32_t seed = 1;
    bool real_time = false, pty = false;
    char name[128] = "-";
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    signal(SIGPIPE, SIG_IGN);
    for (int i = 1; i < words; i++) {
        const char *value = i + 1 < words ? word[i + 1] : "";
        if (strcmp(word[i], "--realtime") == 0) {
            real_time = true;
        } else if (strcmp(word[i], "--pty") == 0) {
            pty = true;
        } else if (strcmp(word[i], "--elf") == 0) {
            elf = value, i++;
        } else if (strcmp(word[i], "--control") == 0) {
            control = atoi(value), i++;
        } else if (strcmp(word[i], "--listen") == 0) {
            path = value, i++;
        } else if (strcmp(word[i], "--seed") == 0) {
            seed = (uint32_t)strtoul(value, NULL, 10), i++;
        } else if (strcmp(word[i], "--without") == 0) {
            if (!remedy_leave_out(value)) {
                return fail("no remedy is called", value);
            }
            i++;
        } else {
            return fail("unknown option", word[i]);
        }
    }
    if (!elf || (control < 0 && !path)) {
        return fail("needs", "--elf FILE and --control FD or --listen PATH");
    }
    if (!chip_open(elf, seed)) {
        return 3;
    }
    if (control < 0 && (control = listen_at(path)) < 0) {
        return fail("cannot listen at", path);
    }
    if (pty) {
        int near = open_line(name, sizeof name);
        if (near < 0) {
            return fail("no pseudo-terminal:", strerror(errno));
        }
        line_attach(near);
    }
    dprintf(control, "ready %s\n", name);
    return serve(control, real_time);
}
