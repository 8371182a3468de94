/* What the paced device and the ideal master share: CRC, clocks, waiting to the microsecond, one line's pace.
 *
 * Sources: MODBUS over Serial Line V1.02: CRC 6.2, silence 2.5.1.1 (3.5 characters up to 19200 baud, 1.750 ms above). The characters of the
 * line have `bits` bits; the silence is counted in the same characters. */
#ifndef WIRE_H
#define WIRE_H

#define _GNU_SOURCE
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <time.h>

#define REQUEST_BYTES 8
#define WAKE_NS 150000 /* a sleep may end this much late; the rest is spun away */

typedef int64_t ns_t;

static inline ns_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (ns_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static inline void sleep_until(ns_t t)
{
    struct timespec until = {t / 1000000000, t % 1000000000};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) != 0) {
    }
}

/* Return at t, not before, and hardly after. */
static inline void wait_until(ns_t t)
{
    if (t - now_ns() > WAKE_NS)
        sleep_until(t - WAKE_NS);
    while (now_ns() < t) {
    }
}

static inline void fine_timers(void)
{
    prctl(PR_SET_TIMERSLACK, 1UL, 0UL, 0UL, 0UL);
}

static inline uint16_t crc16(const uint8_t *data, size_t size)
{
    uint16_t value = 0xFFFF;
    for (size_t i = 0; i < size; i++) {
        value ^= data[i];
        for (int bit = 0; bit < 8; bit++)
            value = value & 1 ? (value >> 1) ^ 0xA001 : value >> 1;
    }
    return value;
}

static inline void seal(uint8_t *frame, size_t body)
{
    uint16_t crc = crc16(frame, body);
    frame[body] = crc & 0xFF;
    frame[body + 1] = crc >> 8;
}

static inline ns_t character_ns(int baud, int bits)
{
    return (ns_t)bits * 1000000000 / baud;
}

static inline ns_t silence_ns(int baud, int bits)
{
    return baud > 19200 ? 1750000 : 35 * character_ns(baud, bits) / 10;
}

#endif
