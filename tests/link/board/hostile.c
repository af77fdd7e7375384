/* Feeds the board's code with hostile frames from a seed. Usage: hostile <seed> <frames>. The board must never move, or move faster than a frame with
 * a right checksum permits; the sanitizers watch its memory. */
#include <stdio.h>
#include <stdlib.h>

#include "brinkmap_board.h"

static uint32_t state;

/* xorshift32: Marsaglia 2003, "Xorshift RNGs". */
static uint32_t next(void) {
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state;
}
static uint32_t below(uint32_t limit) { return next() % limit; }

static void put32(uint8_t *at, uint32_t value) {
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
    at[2] = (uint8_t)(value >> 16);
    at[3] = (uint8_t)(value >> 24);
}

/* Byte stuffing as its source describes it, written apart from the board's own. */
static size_t stuff(const uint8_t *bytes, size_t size, uint8_t *out) {
    size_t code = 1, at = 2, i;
    out[0] = 0;
    for (i = 0; i < size; i++) {
        if (bytes[i] != 0u) out[at++] = bytes[i];
        else {
            out[code] = (uint8_t)(at - code);
            code = at++;
        }
    }
    out[code] = (uint8_t)(at - code);
    out[at++] = 0;
    return at;
}

static const uint8_t kinds[] = {BRINKMAP_PACE, BRINKMAP_FINDING, BRINKMAP_DRIVE, BRINKMAP_TIME};
static const uint8_t sizes[] = {BRINKMAP_PACE_SIZE, BRINKMAP_FINDING_SIZE, BRINKMAP_DRIVE_SIZE, BRINKMAP_TIME_SIZE};

/* A frame of random contents with a right checksum; `sent` is the head's clock. */
static size_t frame_of(uint8_t *frame, uint8_t which, uint32_t sequence, uint32_t sent) {
    size_t i, size = sizes[which];
    for (i = 0; i < size; i++) frame[i] = (uint8_t)next();
    frame[BRINKMAP_FRAME_LAYOUT] = BRINKMAP_LAYOUT;
    frame[BRINKMAP_FRAME_KIND] = kinds[which];
    frame[BRINKMAP_FRAME_FLAGS] = frame[BRINKMAP_FRAME_FLAGS + 1u] = 0;
    put32(frame + BRINKMAP_FRAME_SEQUENCE, sequence);
    put32(frame + BRINKMAP_FRAME_SENT, sent);
    return size;
}

static void check(uint8_t *frame, size_t size) { put32(frame + size - 4u, brinkmap_crc(frame, size - 4u)); }

static struct brinkmap_board board;
static uint32_t now = 0xfff00000u; /* the clock wraps within a second */

static struct brinkmap_motion step(void) {
    struct brinkmap_motion wanted;
    wanted.forward = (int16_t)next();
    wanted.turn = (int16_t)next();
    return brinkmap_step(&board, wanted, now);
}

static void sense(void) {
    uint8_t out[BRINKMAP_WIRE_FRAME];
    brinkmap_contact(&board, (uint8_t)below(12), below(20) == 0u, now);
    brinkmap_floor(&board, (uint8_t)below(6), below(20) == 0u, now);
    while (brinkmap_send(&board, out, now) > 0u && below(4) != 0u) {}
}

/* Tells the board the head's time, so that only what is wrong with a frame can stop it. */
static void set_clock(uint32_t *sequence, uint32_t offset) {
    uint8_t frame[BRINKMAP_LONGEST_FRAME], wire[BRINKMAP_WIRE_FRAME];
    size_t size = frame_of(frame, 3, (*sequence)++, now + offset);
    put32(frame + BRINKMAP_TIME_ASKED, now);
    put32(frame + BRINKMAP_TIME_RECEIVED, now + offset);
    check(frame, size);
    brinkmap_receive(&board, wire, stuff(frame, size, wire), now);
}

int main(int argc, char **argv) {
    static const struct brinkmap_setup setup = {{{200, 0, 50}}, {{210, 0, 0}}, 700, 500, 3000, 2000, 0, 0, 0, 0, 0};
    unsigned long frames = argc > 2 ? strtoul(argv[2], NULL, 10) : 0u, i;
    uint32_t sequence = 1000, offset = 123456789u;
    unsigned long moved = 0;
    state = argc > 1 ? (uint32_t)strtoul(argv[1], NULL, 10) : 1u;
    if (state == 0u) state = 1u;

    brinkmap_init(&board, &setup);
    for (i = 0; i < frames; i++) {
        uint8_t frame[BRINKMAP_LONGEST_FRAME + 40u], wire[2u * sizeof frame];
        size_t size = frame_of(frame, (uint8_t)below(3), sequence + 1u, now + offset), count, j;
        now += below(20000);
        if (i % 50u == 0u) set_clock(&sequence, offset);
        switch (below(8)) {
        case 0: /* noise */
            count = below((uint32_t)sizeof wire);
            for (j = 0; j < count; j++) wire[j] = (uint8_t)next();
            break;
        case 1: /* one bit is wrong */
            check(frame, size);
            frame[below((uint32_t)size)] ^= (uint8_t)(1u << below(8));
            count = stuff(frame, size, wire);
            break;
        case 2: /* of a recording or a simulation */
            frame[BRINKMAP_FRAME_FLAGS] = BRINKMAP_IS_PLAYED;
            check(frame, size);
            count = stuff(frame, size, wire);
            break;
        case 3: /* repeated, or from before */
            put32(frame + BRINKMAP_FRAME_SEQUENCE, sequence - 1u - below(1000));
            check(frame, size);
            count = stuff(frame, size, wire);
            set_clock(&sequence, offset);
            break;
        case 4: /* on its way for too long, or from the future */
            put32(frame + BRINKMAP_FRAME_SENT, now + offset + (below(2) ? 0u - 61000u - below(1000000000) : 5000u + below(1000000000)));
            check(frame, size);
            count = stuff(frame, size, wire);
            break;
        case 5: /* of another layout, kind or length */
            if (below(2)) frame[BRINKMAP_FRAME_LAYOUT] = (uint8_t)(2u + below(250));
            else if (below(2)) frame[BRINKMAP_FRAME_KIND] = (uint8_t)(5u + below(250));
            else size -= 1u + below(8);
            check(frame, size);
            count = stuff(frame, size, wire);
            break;
        case 6: /* the validity of its paces has ended */
            frame[BRINKMAP_FRAME_KIND] = BRINKMAP_PACE;
            size = BRINKMAP_PACE_SIZE;
            put32(frame + BRINKMAP_PACE_REMAINING, 0);
            check(frame, size);
            count = stuff(frame, size, wire);
            break;
        default: /* torn off */
            check(frame, size);
            count = below((uint32_t)stuff(frame, size, wire));
        }
        brinkmap_receive(&board, wire, count, now);
        {
            struct brinkmap_motion may = step();
            if (may.forward != 0 || may.turn != 0) moved++;
        }
        sense();
    }
    if (moved > 0u) {
        printf("moved %lu times\n", moved);
        return 1;
    }

    /* Right frames of random contents: the base moves, and never faster than the newest pace once it has had time to brake. */
    brinkmap_init(&board, &setup);
    for (i = 0; i < frames / 4u; i++) {
        uint8_t frame[BRINKMAP_LONGEST_FRAME], wire[BRINKMAP_WIRE_FRAME];
        size_t size;
        int32_t before = board.forward_now, most;
        struct brinkmap_motion may;
        now += below(20000);
        if (i % 20u == 0u) set_clock(&sequence, offset);
        size = frame_of(frame, (uint8_t)below(3), sequence++, now + offset);
        if (frame[BRINKMAP_FRAME_KIND] == BRINKMAP_PACE) frame[BRINKMAP_PACE_STATE] = (uint8_t)below(3);
        check(frame, size);
        brinkmap_receive(&board, wire, stuff(frame, size, wire), now);
        may = step();
        most = before / 256 > 0 ? before / 256 : -before / 256;
        most += 51; /* gained in one period of at most 100 ms at 500 mm/s2, and rounding */
        if (may.forward > most || may.forward < -most) {
            printf("jumped from %ld to %d\n", (long)before / 256, may.forward);
            return 1;
        }
        if (may.forward != 0) moved++;
        if (below(50) == 0u) sense();
    }
    printf("%lu hostile frames, no motion; %lu random ones, motion in %lu\n", frames, frames / 4u, moved);
    return moved > 0u ? 0 : 1;
}
