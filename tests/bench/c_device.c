/* A Modbus RTU device on a pseudo-terminal that keeps the pace of a serial line.
 *
 *     c_device BAUD BITS PROCESSING_US
 *
 * Prints the terminal's name, then answers function 3 for every unit: the request takes its characters' time from its first byte on, the
 * answer begins after the processing time (at least the silence), and its bytes appear one by one, each when its last bit is over. Register r
 * of unit u is u * 256 + r % 256. Notes the silence before every request, from the end of the last character on the line to the request's first
 * byte; near the end of the silence it does not sleep, so that the note is right to some microseconds.
 *
 * On SIGUSR1 prints one line of JSON with what it counted so far, on SIGTERM and when standard input closes the same, and ends. */
#include "wire.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

static volatile sig_atomic_t report_wanted, end_wanted;

static struct {
    long requests, too_early, bad;
    ns_t least_silence, last_end;
} seen = {.least_silence = INT64_MAX};

static void on_report(int number)
{
    (void)number;
    report_wanted = 1;
}

static void on_end(int number)
{
    (void)number;
    end_wanted = 1;
}

static void report(void)
{
    report_wanted = 0;
    printf("{\"requests\": %ld, \"too_early\": %ld, \"bad\": %ld, \"least_silence_us\": %.1f, \"t_s\": %.6f}\n", seen.requests,
           seen.too_early, seen.bad, seen.least_silence == INT64_MAX ? -1.0 : seen.least_silence / 1e3, now_ns() / 1e9);
    fflush(stdout);
}

static int open_terminal(void)
{
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) || unlockpt(master)) {
        perror("c_device: pseudo-terminal");
        exit(1);
    }
    /* Kept open so that the terminal survives masters that come and go. */
    int slave = open(ptsname(master), O_RDWR | O_NOCTTY);
    struct termios settings;
    if (slave < 0 || tcgetattr(slave, &settings)) {
        perror("c_device: slave side");
        exit(1);
    }
    cfmakeraw(&settings);
    tcsetattr(slave, TCSANOW, &settings);
    printf("%s\n", ptsname(master));
    fflush(stdout);
    return master;
}

/* Wait for the first bytes of a request; exact while `watch_from` is near. Returns how many came. */
static ssize_t hear(int master, uint8_t *into, size_t room, ns_t watch_from)
{
    ns_t spin_until = watch_from + 500000;
    if (watch_from > now_ns())
        sleep_until(watch_from);
    for (;;) {
        ssize_t got = read(master, into, room);
        if (got > 0)
            return got;
        if (got < 0 && errno != EAGAIN && errno != EINTR && errno != EIO)
            return -1;
        if (report_wanted)
            report();
        if (end_wanted)
            return -1;
        if (now_ns() < spin_until)
            continue;
        struct pollfd wanted[2] = {{master, POLLIN, 0}, {STDIN_FILENO, 0, 0}};
        poll(wanted, 2, 100);
        if (wanted[1].revents & (POLLHUP | POLLERR))
            return -1;
    }
}

static void note_silence(ns_t begun, ns_t silence)
{
    if (seen.last_end) {
        ns_t quiet = begun - seen.last_end;
        if (quiet < seen.least_silence)
            seen.least_silence = quiet;
        if (quiet < silence)
            seen.too_early++;
    }
    seen.requests++;
}

static size_t make_answer(const uint8_t *request, uint8_t *answer)
{
    unsigned first = request[2] << 8 | request[3], count = request[4] << 8 | request[5];
    answer[0] = request[0];
    if (request[1] != 3 || count == 0 || count > 125) {
        answer[1] = request[1] | 0x80;
        answer[2] = request[1] != 3 ? 1 : 3;
        seal(answer, 3);
        return 5;
    }
    answer[1] = 3;
    answer[2] = 2 * count;
    for (unsigned i = 0; i < count; i++) {
        answer[3 + 2 * i] = request[0];
        answer[4 + 2 * i] = (first + i) & 0xFF;
    }
    seal(answer, 3 + 2 * count);
    return 5 + 2 * count;
}

static void send_paced(int master, const uint8_t *answer, size_t size, ns_t begin, ns_t character)
{
    for (size_t i = 0; i < size; i++) {
        ns_t due = begin + (ns_t)(i + 1) * character;
        if (i + 1 == size)
            wait_until(due);
        else
            sleep_until(due);
        if (i + 1 == size)
            seen.last_end = now_ns(); /* before the write: the other side may be faster than its return */
        while (write(master, answer + i, 1) < 0 && errno == EAGAIN) {
        }
    }
}

int main(int argc, char **argv)
{
    if (argc != 4) {
        fprintf(stderr, "usage: c_device BAUD BITS PROCESSING_US\n");
        return 2;
    }
    int baud = atoi(argv[1]), bits = atoi(argv[2]);
    ns_t character = character_ns(baud, bits), silence = silence_ns(baud, bits);
    ns_t processing = (ns_t)atoi(argv[3]) * 1000;
    if (processing < silence)
        processing = silence;
    signal(SIGUSR1, on_report);
    signal(SIGTERM, on_end);
    signal(SIGINT, on_end);
    fine_timers();
    int master = open_terminal();
    uint8_t heard[256], answer[260];
    size_t have = 0;
    ns_t begun = 0;
    for (;;) {
        ssize_t got = hear(master, heard + have, sizeof heard - have, have ? 0 : seen.last_end + silence - 300000);
        if (got < 0)
            break;
        if (have == 0)
            begun = now_ns();
        have += got;
        while (have >= REQUEST_BYTES && crc16(heard, REQUEST_BYTES) != 0) {
            seen.bad++;
            memmove(heard, heard + 1, --have);
        }
        if (have < REQUEST_BYTES) {
            if (have == sizeof heard)
                have = 0;
            continue;
        }
        note_silence(begun, silence);
        size_t size = make_answer(heard, answer);
        have -= REQUEST_BYTES;
        memmove(heard, heard + REQUEST_BYTES, have);
        send_paced(master, answer, size, begun + REQUEST_BYTES * character + processing, character);
    }
    report();
    return 0;
}
