/* The motor board's half of the serial line between a Brinkmap head and the motors of its base.
 *
 * C99, no allocation, no dependency, no floating point: any microcontroller with 32-bit arithmetic, and with an int of 16 bits or more.
 * It reads and writes bytes that the caller moves, and holds the rules that must not wait for the head's computer. docs/motor-board.md explains
 * wiring and use; docs/protocol.md has the frames.
 *
 * This is not a safety device. Keep an independent hardware stop that works when this code does not.
 *
 * All functions are called from one context: the main loop, or one timer. `now` is a clock in microseconds that counts up and wraps at 2^32.
 * Speeds are mm/s, positive forward; turning speeds are mrad/s, positive to the left. Places are mm from the base's floor point, x forward, y left.
 */
#ifndef BRINKMAP_BOARD_H
#define BRINKMAP_BOARD_H

#include <stddef.h>
#include <stdint.h>

#include "brinkmap_layouts.h"

#define BRINKMAP_CONTACTS 8u /* most contacts */
#define BRINKMAP_FLOORS 4u   /* most floor sensors */
#define BRINKMAP_CLOCKS 8u   /* exchanges of clocks that are kept: RFC 5905, section 10 */
#define BRINKMAP_REASON 24u  /* most characters of a waiver's reason */
/* Most bytes of a frame on the wire: stuffing adds one, each delimiter one. */
#define BRINKMAP_WIRE_FRAME (BRINKMAP_LONGEST_FRAME + 3u)

struct brinkmap_place {
    int16_t x, y, z;
};

/* How this base is built and how it brakes. Zero in a number of milliseconds, and in slow_speed, takes the default named beside it. */
struct brinkmap_setup {
    struct brinkmap_place contacts[BRINKMAP_CONTACTS];
    struct brinkmap_place floors[BRINKMAP_FLOORS];
    uint16_t deceleration;      /* mm/s2; at least the head's body.deceleration */
    uint16_t acceleration;      /* mm/s2 */
    uint16_t turn_deceleration; /* mrad/s2 */
    uint16_t turn_acceleration; /* mrad/s2 */
    uint16_t old_ms;            /* BRINKMAP_OLD_MS: stop when no pace has come for so long; refuse a frame that took longer */
    uint16_t knock_ms;          /* 1000: edges of a contact that follow within this time are the same knock; also how long it holds the base */
    uint16_t answer_ms;         /* 200: a question about the floor must be answered within this time */
    uint16_t waiver_ms;         /* 5000: longest waiver */
    uint16_t slow_speed;        /* 50 mm/s, 1000 at most: while a floor sensor misses the floor, and under a waiver */
};

struct brinkmap_motion {
    int16_t forward; /* mm/s */
    int16_t turn;    /* mrad/s */
};

/* The rest of this file is the state of a board. Read it, but change it by the functions only. */

struct brinkmap_contact_state {
    uint32_t edge_at;   /* when it was last seen closed */
    uint32_t closed_at; /* when its knock began, once a frame has told of it */
    uint32_t sent_at;
    uint8_t is_held;  /* its knock is not over */
    uint8_t sends;    /* frames still to be sent about it */
    uint8_t knock;
};

struct brinkmap_floor_state {
    uint32_t missed_at; /* when it last missed the floor */
    uint32_t asked_at;
    uint32_t sent_at;
    uint16_t question;
    uint8_t is_missing;
    uint8_t is_open;     /* its last question is not answered */
    uint8_t is_answered; /* a question of this alarm is */
    uint8_t is_due;  /* a frame about it must be sent */
    uint8_t verdict;
    uint8_t is_late; /* no answer came in time */
};

struct brinkmap_board {
    struct brinkmap_setup setup;

    /* receiving */
    uint8_t received[BRINKMAP_LONGEST_FRAME + 1u];
    uint8_t size;
    uint8_t is_too_long;
    uint16_t damaged; /* frames */
    uint16_t refused; /* frames */
    uint32_t last_sequence;
    uint32_t heard_at;
    uint8_t has_heard;

    /* the head's clock minus this one */
    uint32_t offsets[BRINKMAP_CLOCKS];
    uint32_t delays[BRINKMAP_CLOCKS];
    uint32_t known_at;
    uint8_t clocks;
    uint8_t next_clock;

    /* the newest pace and command */
    uint32_t pace_sent_at; /* when the head sent it, by this clock */
    uint32_t pace_until;
    uint16_t forward, backward, left, right;
    uint16_t arcs_forward[BRINKMAP_ARCS], arcs_backward[BRINKMAP_ARCS];
    uint8_t has_pace;
    uint8_t is_fit;
    uint8_t cause;
    uint8_t is_played;
    struct brinkmap_motion drive;
    uint32_t drive_until;
    uint8_t has_drive;

    /* the base's own sensors */
    struct brinkmap_contact_state contacts[BRINKMAP_CONTACTS];
    struct brinkmap_floor_state floors[BRINKMAP_FLOORS];
    uint16_t next_question;
    uint8_t next_knock;

    /* the waiver */
    uint32_t waiver_until, waiver_asked_at, waiver_sent_at;
    uint16_t waiver_asked_ms;
    uint8_t is_waived, waiver_direction, waiver_request, waiver_sends;
    char waiver_reason[BRINKMAP_REASON];

    /* the motion, in 1/256 mm/s and 1/256 mrad/s, and why the board stands: BRINKMAP_STOP_... */
    int32_t forward_now, turn_now;
    uint32_t stepped_at;
    uint8_t has_stepped;
    uint8_t stop, told_stop, told_waived;

    /* sending */
    uint32_t sequence;
    uint32_t asked_at, told_at;
    uint8_t has_asked, has_told;
    uint8_t is_wheels_due, is_position_due, is_battery_due;
    uint32_t measured_at; /* of the wheels or the position */
    int32_t counts[4];
    int16_t steering;
    int32_t x, y, yaw;
    int16_t speeds[3];
    uint32_t battery_at;
    uint16_t voltage;
    int16_t current;
    uint8_t charge, is_charging;
};

void brinkmap_init(struct brinkmap_board *board, const struct brinkmap_setup *setup);

/* Takes bytes from the head, as many as have come. Call it often: nothing may wait unread. */
void brinkmap_receive(struct brinkmap_board *board, const uint8_t *bytes, size_t count, uint32_t now);

/* A contact's level, read each period or at each edge. The first closed reading stops the base before this returns: see brinkmap_motion_now. */
void brinkmap_contact(struct brinkmap_board *board, uint8_t number, int is_closed, uint32_t now);

/* A floor sensor's level, read each period: whether the floor is missing. */
void brinkmap_floor(struct brinkmap_board *board, uint8_t number, int is_missing, uint32_t now);

/* A person at the base overrides the pace, not the base's own sensors: slowly, in one direction (BRINKMAP_DIRECTION_...), for a stated reason. 0 ms
 * withdraws it. The time limit is kept here, whatever the head says. Returns 0 when it is refused: without a reason. */
int brinkmap_waiver(struct brinkmap_board *board, uint8_t direction, uint16_t milliseconds, const char *reason, uint32_t now);

/* Measurements. Only the newest is sent. Send wheels or a position, not both. */
void brinkmap_wheels(struct brinkmap_board *board, const int32_t counts[4], int16_t steering_mrad, uint32_t now);
void brinkmap_position(struct brinkmap_board *board, int32_t x, int32_t y, int32_t yaw, const int16_t speeds[3], uint32_t now);
void brinkmap_battery(struct brinkmap_board *board, uint16_t millivolts, int16_t centiamperes, uint8_t percent, int is_charging, uint32_t now);

/* The command of the client that drives, while it holds; else a stop. */
struct brinkmap_motion brinkmap_wanted(const struct brinkmap_board *board, uint32_t now);

/* Called once each control period, at least 20 times a second: what the motors may do now, of what is wanted. */
struct brinkmap_motion brinkmap_step(struct brinkmap_board *board, struct brinkmap_motion wanted, uint32_t now);

/* The motion as of the last step or contact. */
struct brinkmap_motion brinkmap_motion_now(const struct brinkmap_board *board);

/* The next bytes for the head: at most one frame, never more than BRINKMAP_WIRE_FRAME. Call it when the line is free. Returns 0 when there is nothing to send. */
size_t brinkmap_send(struct brinkmap_board *board, uint8_t out[BRINKMAP_WIRE_FRAME], uint32_t now);

/* CRC-32C of bytes; for tests. */
uint32_t brinkmap_crc(const uint8_t *bytes, size_t count);

#endif
