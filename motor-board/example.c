/* A motor board for a base with two driven wheels, a bumper and two floor sensors. The eleven functions below are the only ones that know the
 * hardware: write them for your microcontroller. Everything with a comment "measure" is of one base, and wrong for another.
 *
 * This is not a safety device. Wire an independent stop into the supply of the motors. First try it with the wheels off the ground. */
#include "brinkmap_board.h"

/* ---- the hardware: to be written for your board ---- */
uint32_t board_microseconds(void);             /* counts up, wraps at 2^32 */
int board_bumper_is_closed(void);              /* wired so that a broken wire reads as closed */
int board_floor_is_missing(int sensor);        /* 0 left, 1 right; a broken wire reads as missing */
int board_button_is_pressed(void);             /* a person asks for a waiver */
int32_t board_wheel_count(int wheel);          /* 0 left, 1 right; counts up forwards */
void board_motor(int wheel, int power);        /* -1000 to 1000; 0 brakes */
uint16_t board_battery_millivolts(void);
size_t board_line_read(uint8_t *out, size_t most);          /* what has come, without waiting; 0: nothing */
size_t board_line_room(void);                               /* bytes that can be written now without waiting */
void board_line_write(const uint8_t *bytes, size_t count);
void board_watchdog(void);                     /* a watchdog of 50 ms turns the motors off when this is not called */

/* ---- the base: measure ---- */
#define PERIOD_US 10000u          /* control period */
#define COUNTS_PER_METRE 4000     /* of a wheel on the floor */
#define TRACK_MM 320              /* between the middles of the two wheels */
#define POWER_PER_SPEED 1         /* power that holds 1 mm/s, without load */
#define POWER_PER_ERROR 2         /* power per mm/s that a wheel is too slow */
#define WAIVER_MS 3000u

static const struct brinkmap_setup setup = {
    {{180, 0, 60}},                      /* the bumper, mm */
    {{190, 110, 0}, {190, -110, 0}},     /* the floor sensors, mm: ahead of the wheels by more than the way to brake from 50 mm/s */
    700, 500,                            /* braking, at least body.deceleration, and speeding up, mm/s2 */
    3000, 2000,                          /* the same for turning, mrad/s2 */
    0, 0, 0, 0, 0};                      /* the rest as the header says */

static struct brinkmap_board board;
static int32_t last_count[2];

/* Drives a wheel at a speed, mm/s: what it needs by itself, and more when it lags. */
static void hold_speed(int wheel, int32_t wanted, int32_t counted, uint32_t period) {
    int32_t speed = (int32_t)((int64_t)counted * 1000 * 1000000 / COUNTS_PER_METRE / (int32_t)period);
    int32_t power = POWER_PER_SPEED * wanted + POWER_PER_ERROR * (wanted - speed);
    if (wanted == 0) power = 0; /* the brake, not the controller, holds a base that stands */
    if (power > 1000) power = 1000;
    if (power < -1000) power = -1000;
    board_motor(wheel, (int)power);
}

static void drive(struct brinkmap_motion motion, uint32_t period) {
    /* Half a track beside the middle, mrad/s times mm is micrometres a second. */
    int32_t aside = motion.turn * (int32_t)TRACK_MM / 2000;
    int wheel;
    for (wheel = 0; wheel < 2; wheel++) {
        int32_t count = board_wheel_count(wheel);
        int32_t counted = (int32_t)((uint32_t)count - (uint32_t)last_count[wheel]);
        last_count[wheel] = count;
        hold_speed(wheel, wheel == 0 ? motion.forward - aside : motion.forward + aside, counted, period);
    }
}

static void sense(uint32_t now) {
    static int was_pressed;
    int is_pressed = board_button_is_pressed();
    brinkmap_contact(&board, 0, board_bumper_is_closed(), now);
    brinkmap_floor(&board, 0, board_floor_is_missing(0), now);
    brinkmap_floor(&board, 1, board_floor_is_missing(1), now);
    if (is_pressed && !was_pressed) {
        brinkmap_waiver(&board, BRINKMAP_DIRECTION_BACKWARD, WAIVER_MS, "button at the base", now);
    }
    was_pressed = is_pressed;
}

static void measure(uint32_t now) {
    static uint32_t battery_at;
    int32_t counts[4] = {0, 0, 0, 0};
    counts[0] = board_wheel_count(0);
    counts[1] = board_wheel_count(1);
    brinkmap_wheels(&board, counts, 0, now);
    if (now - battery_at > 1000000u) {
        battery_at = now;
        brinkmap_battery(&board, board_battery_millivolts(), 0, BRINKMAP_NO_CHARGE, 0, now);
    }
}

/* Reads all that has come, and writes one frame when there is room for a whole one. */
static void talk(uint32_t now) {
    uint8_t bytes[BRINKMAP_WIRE_FRAME];
    size_t count;
    while ((count = board_line_read(bytes, sizeof bytes)) > 0u) brinkmap_receive(&board, bytes, count, now);
    if (board_line_room() >= BRINKMAP_WIRE_FRAME) {
        count = brinkmap_send(&board, bytes, now);
        if (count > 0u) board_line_write(bytes, count);
    }
}

int main(void) {
    uint32_t stepped = board_microseconds();
    brinkmap_init(&board, &setup);
    last_count[0] = board_wheel_count(0);
    last_count[1] = board_wheel_count(1);
    for (;;) {
        uint32_t now = board_microseconds();
        talk(now);
        /* The bumper is read in each round, not only in each period: it stops the motors at once. */
        if (board_bumper_is_closed()) {
            brinkmap_contact(&board, 0, 1, now);
            if (brinkmap_motion_now(&board).forward == 0 && brinkmap_motion_now(&board).turn == 0) {
                board_motor(0, 0);
                board_motor(1, 0);
            }
        }
        if (now - stepped < PERIOD_US) continue;
        sense(now);
        drive(brinkmap_step(&board, brinkmap_wanted(&board, now), now), now - stepped);
        measure(now);
        stepped = now;
        board_watchdog();
    }
}
