/* The ideal master: what the wire itself allows, in C, spinning where a sleep would be late.
 *
 *     c_master PORT BAUD BITS UNITS SECONDS [PERIOD_US]
 *
 * Reads ten registers of each unit in turn, 3.5 characters after the last answer's last byte, for that long; with a period, each unit is due
 * every PERIOD_US on absolute deadlines, units evenly apart, and the lateness of each request is noted. Prints one line of JSON.
 *
 * It sleeps while it waits for bytes: a pseudo-terminal is carried by a kernel thread, which a spinning reader would keep off the processor. */
#include "wire.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#define REGISTERS 10
#define ANSWER_BYTES (5 + 2 * REGISTERS)
#define TIMEOUT_NS 1000000000
#define MOST 100000

static double lateness_s[MOST];

static int open_port(const char *name)
{
    int port = open(name, O_RDWR | O_NOCTTY | O_NONBLOCK);
    struct termios settings;
    if (port < 0 || tcgetattr(port, &settings)) {
        perror("c_master: port");
        exit(1);
    }
    cfmakeraw(&settings);
    tcsetattr(port, TCSAFLUSH, &settings);
    return port;
}

/* One transaction; returns 1 when the right answer came. `end` becomes the instant of the last byte. */
static int transact(int port, uint8_t unit, ns_t *end)
{
    uint8_t request[REQUEST_BYTES] = {unit, 3, 0, 0, 0, REGISTERS}, answer[256];
    size_t have = 0;
    seal(request, 6);
    if (write(port, request, sizeof request) != sizeof request)
        return 0;
    ns_t give_up = now_ns() + TIMEOUT_NS;
    while (have < ANSWER_BYTES) {
        struct pollfd wanted = {port, POLLIN, 0};
        ssize_t got = read(port, answer + have, sizeof answer - have);
        if (got > 0) {
            have += got;
            continue;
        }
        if (now_ns() > give_up)
            return 0;
        poll(&wanted, 1, 100);
    }
    *end = now_ns();
    return have == ANSWER_BYTES && crc16(answer, have) == 0 && answer[0] == unit && answer[3] == unit && answer[4] == 0;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

int main(int argc, char **argv)
{
    if (argc < 6 || argc > 7) {
        fprintf(stderr, "usage: c_master PORT BAUD BITS UNITS SECONDS [PERIOD_US]\n");
        return 2;
    }
    int baud = atoi(argv[2]), bits = atoi(argv[3]), units = atoi(argv[4]);
    ns_t silence = silence_ns(baud, bits), period = argc == 7 ? (ns_t)atol(argv[6]) * 1000 : 0;
    fine_timers();
    int port = open_port(argv[1]);
    ns_t begun = now_ns() + silence, until = begun + (ns_t)(atof(argv[5]) * 1e9), end = begun - silence, due = begun;
    long done = 0, wrong = 0;
    for (long turn = 0; now_ns() < until; turn++) {
        if (period) {
            due = begun + turn * period / units;
            if (due > now_ns())
                wait_until(due);
        }
        wait_until(end + silence);
        if (period && done < MOST)
            lateness_s[done] = (now_ns() - due) / 1e9;
        if (transact(port, 1 + turn % units, &end))
            done++;
        else
            wrong++;
    }
    double span_s = (end - begun + silence) / 1e9;
    long noted = done < MOST ? done : MOST;
    qsort(lateness_s, noted, sizeof *lateness_s, ascending);
    printf("{\"transactions\": %ld, \"wrong\": %ld, \"span_s\": %.6f, \"per_s\": %.3f, \"p99_lateness_s\": %.6f}\n", done, wrong, span_s,
           done / span_s, period && noted ? lateness_s[noted * 99 / 100] : 0.0);
    return 0;
}
