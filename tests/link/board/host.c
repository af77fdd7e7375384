/* A motor board on this machine, at a pseudo terminal, in real time. It prints the path of its line, obeys commands on standard input, and reports on
 * standard output. Its clock is the machine's monotonic clock, as the head's is, so that the true age of what it obeys is known.
 *
 * Commands: want <forward> <turn>; obey (the head's commands); contact <n> <closed>; floor <n> <missing>; waiver <direction> <ms>;
 * battery <mV>; noise <percent of frames, both ways>; flood <factor>: sends so many times what 921,600 baud carry, 2 frames of
 * wheels in a millisecond; cut <ms>: neither reads nor sends;
 * unplug: the line goes away, and another comes; report; quit. */
#define _XOPEN_SOURCE 600
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "brinkmap_board.h"

#define PERIOD_US 10000u

static struct brinkmap_board board;
static struct brinkmap_motion wanted;
static int master = -1, slave = -1, is_obeying, noise, flood = 1;
static uint32_t cut_until;
static int is_cut;
static uint32_t true_sent, oldest, steps, moving, last_told;
/* Paces by how long their reach had waited in the head, and by how long they were on the line, in 0.1 ms. */
#define TENTHS 150u
static uint32_t waits[TENTHS], ways[TENTHS];
static double left_way, right_way;
static uint32_t random_state = 2463534242u;

static uint32_t next(void) {
    random_state ^= random_state << 13;
    random_state ^= random_state >> 17;
    random_state ^= random_state << 5;
    return random_state;
}

static uint32_t clock_now(void) {
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return (uint32_t)((uint64_t)time.tv_sec * 1000000u + (uint64_t)time.tv_nsec / 1000u);
}

static void plug(void) {
    if (slave >= 0) close(slave);
    if (master >= 0) close(master);
    master = posix_openpt(O_RDWR | O_NOCTTY);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0) exit(2);
    fcntl(master, F_SETFL, O_NONBLOCK);
    /* Kept open, so that the line stays while the head is away. */
    slave = open(ptsname(master), O_RDWR | O_NOCTTY);
    printf("line %s\n", ptsname(master));
}

/* Hurts one byte of a piece, as often as the noise says. */
static void hurt(uint8_t *bytes, size_t count) {
    if (count > 0u && (int)(next() % 100u) < noise) bytes[next() % count] ^= (uint8_t)(1u + next() % 255u);
}

static void read_line(uint32_t now) {
    uint8_t bytes[256];
    ssize_t count;
    while ((count = read(master, bytes, sizeof bytes)) > 0) {
        uint32_t before = board.pace_sent_at;
        hurt(bytes, (size_t)count);
        brinkmap_receive(&board, bytes, (size_t)count, now);
        if (board.has_pace && board.pace_sent_at != before) {
            uint8_t best = 0, i;
            for (i = 1; i < board.clocks; i++)
                if (board.delays[i] <= board.delays[best]) best = i;
            true_sent = board.pace_sent_at + board.offsets[best];
            /* The last frame is still in the buffer, without its stuffing. A repeated pace is older than a new one can be. */
            if (board.received[BRINKMAP_FRAME_KIND] == BRINKMAP_PACE) {
                const uint8_t *at = board.received + BRINKMAP_FRAME_AGE;
                uint32_t age = at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
                if (age / 100u < TENTHS) waits[age / 100u]++;
                if ((now - true_sent) / 100u < TENTHS) ways[(now - true_sent) / 100u]++;
            }
        }
    }
}

static void write_line(uint32_t now) {
    uint8_t bytes[BRINKMAP_WIRE_FRAME];
    size_t count;
    int i;
    while ((count = brinkmap_send(&board, bytes, now)) > 0u) {
        hurt(bytes, count);
        if (write(master, bytes, count) < 0) return; /* nobody reads: lost, as on a wire */
    }
    for (i = 0; flood > 1 && i < 2 * flood; i++) {
        int32_t counts[4] = {0, 0, 0, 0};
        counts[0] = (int32_t)left_way;
        counts[1] = (int32_t)right_way;
        brinkmap_wheels(&board, counts, 0, now);
        count = brinkmap_send(&board, bytes, now);
        if (count > 0u && write(master, bytes, count) < 0) return;
    }
}

static void step(uint32_t now) {
    struct brinkmap_motion may = brinkmap_step(&board, is_obeying ? brinkmap_wanted(&board, now) : wanted, now);
    int32_t counts[4] = {0, 0, 0, 0};
    uint32_t age = now - true_sent;
    steps++;
    if (board.stop == BRINKMAP_STOP_NONE && !board.is_waived) {
        moving++;
        if (age > oldest) oldest = age;
    }
    /* Wheels of 4,000 counts a metre, 320 mm apart. */
    left_way += (may.forward - may.turn * 0.16) * 0.01 * 4;
    right_way += (may.forward + may.turn * 0.16) * 0.01 * 4;
    counts[0] = (int32_t)left_way;
    counts[1] = (int32_t)right_way;
    brinkmap_wheels(&board, counts, 0, now);
    if (now - last_told > 50000u) {
        last_told = now;
        printf("motion %d %d %u\n", may.forward, may.turn, (unsigned)board.stop);
    }
}

/* The upper end, in microseconds, of the tenth of a millisecond in which the 99th of 100 lies. */
static uint32_t p99(const uint32_t *counts) {
    uint32_t total = 0, sum = 0, i;
    for (i = 0; i < TENTHS; i++) total += counts[i];
    for (i = 0; i < TENTHS; i++) {
        sum += counts[i];
        if (sum * 100u >= total * 99u) break;
    }
    return 100u * (i + 1u);
}

static void command(const char *line, uint32_t now) {
    int a = 0, b = 0;
    if (sscanf(line, "want %d %d", &a, &b) == 2) {
        wanted.forward = (int16_t)a;
        wanted.turn = (int16_t)b;
        is_obeying = 0;
    } else if (strncmp(line, "obey", 4) == 0) is_obeying = 1;
    else if (sscanf(line, "contact %d %d", &a, &b) == 2) brinkmap_contact(&board, (uint8_t)a, b, now);
    else if (sscanf(line, "floor %d %d", &a, &b) == 2) brinkmap_floor(&board, (uint8_t)a, b, now);
    else if (sscanf(line, "waiver %d %d", &a, &b) == 2) brinkmap_waiver(&board, (uint8_t)a, (uint16_t)b, "button at the base", now);
    else if (sscanf(line, "battery %d", &a) == 1) brinkmap_battery(&board, (uint16_t)a, 0, 80, 0, now);
    else if (sscanf(line, "noise %d", &a) == 1) noise = a;
    else if (sscanf(line, "flood %d", &a) == 1) flood = a;
    else if (sscanf(line, "cut %d", &a) == 1) {
        is_cut = 1;
        cut_until = now + 1000u * (uint32_t)a;
    } else if (strncmp(line, "unplug", 6) == 0) plug();
    else if (strncmp(line, "report", 6) == 0)
        printf("report oldest %lu steps %lu permitted %lu refused %u damaged %u waited %lu way %lu\n", (unsigned long)oldest,
               (unsigned long)steps, (unsigned long)moving, (unsigned)board.refused, (unsigned)board.damaged, (unsigned long)p99(waits),
               (unsigned long)p99(ways));
    else if (strncmp(line, "quit", 4) == 0) exit(0);
}

/* Commands that have come, line by line. */
static void read_commands(uint32_t now) {
    static char text[1000];
    static size_t size;
    char *end;
    ssize_t count = read(0, text + size, sizeof text - size - 1u);
    if (count <= 0) exit(0); /* whoever started this is gone */
    size += (size_t)count;
    text[size] = '\0';
    while ((end = strchr(text, '\n')) != NULL) {
        command(text, now);
        size -= (size_t)(end + 1 - text);
        memmove(text, end + 1, size + 1u);
    }
}

int main(void) {
    static const struct brinkmap_setup setup = {
        {{200, 100, 50}, {200, -100, 50}}, {{210, 0, 0}}, 700, 500, 3000, 2000, 0, 0, 0, 0, 0};
    uint32_t stepped = clock_now();
    setvbuf(stdout, NULL, _IOLBF, 0);
    brinkmap_init(&board, &setup);
    plug();
    for (;;) {
        struct pollfd files[2];
        uint32_t now;
        files[0].fd = 0;
        files[0].events = POLLIN;
        files[1].fd = is_cut ? -1 : master;
        files[1].events = POLLIN;
        poll(files, 2, 1);
        now = clock_now();
        if (files[0].revents != 0) read_commands(now);
        if (is_cut && now - cut_until < 0x80000000u) is_cut = 0;
        if (!is_cut) read_line(now);
        if (now - stepped >= PERIOD_US) {
            stepped = now - stepped > 5u * PERIOD_US ? now : stepped + PERIOD_US;
            step(now);
        }
        if (!is_cut) write_line(now);
    }
}
