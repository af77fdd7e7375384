/* Runs the board's code by a script: commands on standard input, one a line, answers on standard output. Time stands in the script, so each run is
 * the same. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "brinkmap_board.h"

static struct brinkmap_board board;
static uint32_t now;

static size_t bytes_of(const char *hex, uint8_t *out) {
    size_t count = 0;
    unsigned byte;
    for (; sscanf(hex, "%2x", &byte) == 1; hex += 2) out[count++] = (uint8_t)byte;
    return count;
}

static void init(void) {
    /* Two contacts in front and one behind; a floor sensor at either end. */
    static const struct brinkmap_setup setup = {
        {{200, 100, 50}, {200, -100, 50}, {-200, 0, 50}}, {{210, 0, 0}, {-210, 0, 0}}, 700, 500, 3000, 2000, 0, 0, 0, 0, 0};
    brinkmap_init(&board, &setup);
}

int main(void) {
    static char line[20000], word[20000];
    static uint8_t bytes[10000];
    setvbuf(stdout, NULL, _IOLBF, 0);
    init();
    while (fgets(line, sizeof line, stdin) != NULL) {
        long a = 0, b = 0, c = 0, d = 0, e = 0;
        char command[16];
        if (sscanf(line, "%15s", command) != 1) continue;
        if (strcmp(command, "init") == 0) init();
        else if (sscanf(line, "setup %ld %ld %ld %ld", &a, &b, &c, &d) == 4) {
            /* A contact in front and one behind. */
            struct brinkmap_setup setup = {{{200, 0, 50}, {-200, 0, 50}}, {{210, 0, 0}}, 0, 0, 0, 0, 0, 0, 0, 0, 0};
            setup.deceleration = (uint16_t)a;
            setup.acceleration = (uint16_t)b;
            setup.turn_deceleration = (uint16_t)c;
            setup.turn_acceleration = (uint16_t)d;
            brinkmap_init(&board, &setup);
        }
        else if (sscanf(line, "now %ld", &a) == 1) now = (uint32_t)a;
        else if (sscanf(line, "rx %19999s", word) == 1) brinkmap_receive(&board, bytes, bytes_of(word, bytes), now);
        else if (sscanf(line, "contact %ld %ld", &a, &b) == 2) brinkmap_contact(&board, (uint8_t)a, (int)b, now);
        else if (sscanf(line, "floor %ld %ld", &a, &b) == 2) brinkmap_floor(&board, (uint8_t)a, (int)b, now);
        else if (sscanf(line, "waiver %ld %ld", &a, &b) == 2) {
            const char *reason = strchr(line, '"');
            static char text[200];
            text[0] = '\0';
            if (reason != NULL) sscanf(reason, "\"%199[^\"]", text);
            printf("waiver %d\n", brinkmap_waiver(&board, (uint8_t)a, (uint16_t)b, text, now));
        } else if (sscanf(line, "wheels %ld %ld %ld %ld %ld", &a, &b, &c, &d, &e) == 5) {
            int32_t counts[4];
            counts[0] = (int32_t)a;
            counts[1] = (int32_t)b;
            counts[2] = (int32_t)c;
            counts[3] = (int32_t)d;
            brinkmap_wheels(&board, counts, (int16_t)e, now);
        } else if (sscanf(line, "position %ld %ld %ld %ld %ld", &a, &b, &c, &d, &e) == 5) {
            int16_t speeds[3] = {0, 0, 0};
            speeds[0] = (int16_t)d;
            speeds[2] = (int16_t)e;
            brinkmap_position(&board, (int32_t)a, (int32_t)b, (int32_t)c, speeds, now);
        } else if (sscanf(line, "battery %ld %ld %ld %ld", &a, &b, &c, &d) == 4)
            brinkmap_battery(&board, (uint16_t)a, (int16_t)b, (uint8_t)c, (int)d, now);
        else if (sscanf(line, "step %ld %ld", &a, &b) == 2) {
            struct brinkmap_motion wanted, may;
            wanted.forward = (int16_t)a;
            wanted.turn = (int16_t)b;
            may = brinkmap_step(&board, wanted, now);
            /* Also in 1/256. */
            printf("step %d %d %u %ld %ld\n", may.forward, may.turn, (unsigned)board.stop, (long)board.forward_now, (long)board.turn_now);
        } else if (strcmp(command, "motion") == 0) {
            struct brinkmap_motion may = brinkmap_motion_now(&board);
            printf("motion %d %d\n", may.forward, may.turn);
        } else if (strcmp(command, "wanted") == 0) {
            struct brinkmap_motion wanted = brinkmap_wanted(&board, now);
            printf("wanted %d %d\n", wanted.forward, wanted.turn);
        } else if (strcmp(command, "counts") == 0)
            printf("counts %u %u\n", (unsigned)board.refused, (unsigned)board.damaged);
        else if (strcmp(command, "send") == 0) {
            uint8_t out[BRINKMAP_WIRE_FRAME];
            size_t i, count = brinkmap_send(&board, out, now);
            printf("send ");
            for (i = 0; i < count; i++) printf("%02x", out[i]);
            printf("\n");
        } else if (sscanf(line, "crc %19999s", word) == 1)
            printf("crc %08lx\n", (unsigned long)brinkmap_crc(bytes, bytes_of(word, bytes)));
        else {
            fprintf(stderr, "no such command: %s", line);
            return 2;
        }
    }
    return 0;
}
