#include "line.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static int failed(const char *what)
{
    fprintf(stderr, "knuckle-pod: %s: %s\n", what, strerror(errno));
    return -1;
}

static int never_waits(int file)
{
    return fcntl(file, F_SETFL, fcntl(file, F_GETFL) | O_NONBLOCK) == 0 &&
           fcntl(file, F_SETFD, FD_CLOEXEC) == 0;
}

/* Bytes as they are: no echo, no signals, no line ends turned. */
static int make_raw(const char *path)
{
    const int slave = open(path, O_RDWR | O_NOCTTY);
    struct termios settings;
    if (slave < 0 || tcgetattr(slave, &settings) != 0) {
        return 0;
    }
    cfmakeraw(&settings);
    const int good = tcsetattr(slave, TCSANOW, &settings) == 0;
    close(slave);
    return good;
}

static int open_pty(line *l)
{
    l->listening = -1;
    l->open = posix_openpt(O_RDWR | O_NOCTTY);
    if (l->open < 0 || grantpt(l->open) != 0 || unlockpt(l->open) != 0) {
        return failed("no pseudo terminal");
    }
    snprintf(l->place, sizeof l->place, "%s", ptsname(l->open));
    if (!make_raw(l->place) || !never_waits(l->open)) {
        return failed(l->place);
    }
    return 0;
}

static int open_unix(line *l, const char *path)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path || strlen(path) >= sizeof l->place) {
        errno = ENAMETOOLONG;
        return failed(path);
    }
    strcpy(address.sun_path, path);
    l->listening = socket(AF_UNIX, SOCK_STREAM, 0);
    if (l->listening < 0 || !never_waits(l->listening) ||
        bind(l->listening, (struct sockaddr *)&address, sizeof address) != 0 ||
        listen(l->listening, 1) != 0) {
        return failed(path);
    }
    strcpy(l->place, path);
    return 0;
}

static int open_tcp(line *l, const char *port)
{
    struct sockaddr_in address = {.sin_family = AF_INET};
    socklen_t size = sizeof address;
    const int yes = 1;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    address.sin_port = htons((uint16_t)strtol(port, NULL, 10));
    l->listening = socket(AF_INET, SOCK_STREAM, 0);
    if (l->listening < 0 || !never_waits(l->listening) ||
        setsockopt(l->listening, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes) != 0 ||
        bind(l->listening, (struct sockaddr *)&address, sizeof address) != 0 ||
        listen(l->listening, 1) != 0 ||
        getsockname(l->listening, (struct sockaddr *)&address, &size) != 0) {
        return failed("no TCP port");
    }
    snprintf(l->place, sizeof l->place, "127.0.0.1:%u", ntohs(address.sin_port));
    return 0;
}

int line_open(line *l, const options *o)
{
    l->kind = o->line;
    l->listening = l->open = -1;
    l->attended = 0;
    l->waiting = 0;
    if (o->line == LINE_PTY) {
        return open_pty(l);
    }
    return o->line == LINE_UNIX ? open_unix(l, o->place) : open_tcp(l, o->place);
}

void line_close(line *l)
{
    if (l->open >= 0) {
        close(l->open);
    }
    if (l->listening >= 0) {
        close(l->listening);
        if (l->kind == LINE_UNIX) {
            unlink(l->place);
        }
    }
}

static void host_left(line *l)
{
    l->waiting = 0;
    l->attended = 0;
    if (l->kind != LINE_PTY) {
        close(l->open);
        l->open = -1;
    }
}

static void let_in(line *l)
{
    l->open = accept(l->listening, NULL, NULL);
    if (l->open >= 0 && !never_waits(l->open)) {
        host_left(l);
    }
    l->attended = l->open >= 0;
}

int line_wait(line *l, int timeout_ms, int until_eof)
{
    struct pollfd wanted[2] = {
        {.fd = l->open >= 0 ? l->open : l->listening,
         .events = (short)(l->waiting != 0 ? POLLIN | POLLOUT : POLLIN)},
        {.fd = until_eof ? STDIN_FILENO : -1, .events = POLLIN},
    };
    if (poll(wanted, 2, timeout_ms) < 0) {
        return 0; /* a signal: the caller looks */
    }
    if (l->open < 0) {
        if (wanted[0].revents & POLLIN) {
            let_in(l);
        }
    } else if (l->kind == LINE_PTY) {
        /* Without a host the master hangs up at once, again and again: wait by the clock then. */
        l->attended = !(wanted[0].revents & POLLHUP);
        if (!l->attended) {
            const struct timespec pause = {.tv_nsec = 1000000L * timeout_ms};
            l->waiting = 0;
            nanosleep(&pause, NULL);
        }
    }
    if (wanted[1].revents != 0) {
        char ignored[64];
        return read(STDIN_FILENO, ignored, sizeof ignored) <= 0;
    }
    return 0;
}

size_t line_read(line *l, uint8_t *into, size_t size)
{
    if (!l->attended || size == 0) {
        return 0;
    }
    const ssize_t got = read(l->open, into, size);
    if (got > 0) {
        return (size_t)got;
    }
    if (got == 0 || (errno != EAGAIN && errno != EWOULDBLOCK && errno != EINTR)) {
        host_left(l);
    }
    return 0;
}

void line_write(line *l, const uint8_t *data, size_t length)
{
    if (!l->attended) {
        return;
    }
    const size_t room = sizeof l->out - l->waiting;
    const size_t taken = length < room ? length : room;
    memcpy(l->out + l->waiting, data, taken);
    l->waiting += taken;
    if (l->waiting == 0) {
        return;
    }
    /* A socket whose host has gone must give an error, not a signal: main() ignores SIGPIPE. */
    const ssize_t gone = write(l->open, l->out, l->waiting);
    if (gone > 0) {
        l->waiting -= (size_t)gone;
        memmove(l->out, l->out + gone, l->waiting);
    } else if (gone < 0 && errno != EAGAIN && errno != EWOULDBLOCK && errno != EINTR) {
        host_left(l);
    }
}
