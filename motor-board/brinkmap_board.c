#include "brinkmap_board.h"

#define DEFAULT_KNOCK_MS 1000u
#define DEFAULT_ANSWER_MS 200u
#define DEFAULT_WAIVER_MS 5000u
#define DEFAULT_SLOW 50u
/* mm/s: keeps products of speeds within 32 bits. */
#define MOST_SLOW 1000u

/* Milliseconds after which a head that starts again may count from 0. */
#define FORGET_MS 500u
/* Milliseconds between questions for the head's time, and after which its clock counts as unknown. Two clocks that differ by 200 millionths are
 * 1 ms apart after 5 s. */
#define ASK_MS 250u
#define ASK_FIRST_MS 20u
#define UNKNOWN_MS 5000u
/* Microseconds by which a frame may seem to come from the future: the error of the clock. */
#define CLOCK_SLACK 2000u
/* Milliseconds between frames of `state`, and between repeated frames of one contact, question or waiver. */
#define TELL_MS 200u
#define REPEAT_MS 20u
/* Frames about one contact or waiver: with 10 % of the frames lost, 1 in 100,000 is not heard of. */
#define REPEATS 5u
/* Milliseconds for which a floor sensor must see the floor before it counts as present again. Chosen by hand. */
#define PRESENT_MS 100u
/* Milliseconds after which a base that goes on over a missing floor asks again: 13 mm at 50 mm/s. Chosen by hand. */
#define ASK_AGAIN_MS 250u
/* Longest period between two steps that counts, microseconds: after a pause the base does not jump to speed. */
#define LONGEST_PERIOD 100000u
/* Tightest arc with a pace, 1/km: a tighter one is turned on the spot. */
#define TIGHTEST 2000
/* 1/km: arcs that differ by no more are the same, because commands are whole numbers. */
#define SAME_ARC 10
/* mm/s: a slower base may be on any arc; it stops within a millimetre. Chosen by hand. */
#define CREEP 30

static const int16_t curvatures[BRINKMAP_ARCS] = BRINKMAP_CURVATURES;

/* ---- bytes ---- */

static void clear(void *at, size_t size) {
    uint8_t *bytes = at;
    while (size-- > 0u) *bytes++ = 0;
}

static void copy(void *to, const void *from, size_t size) {
    uint8_t *out = to;
    const uint8_t *in = from;
    while (size-- > 0u) *out++ = *in++;
}

static uint16_t get16(const uint8_t *at) { return (uint16_t)(at[0] | (uint16_t)(at[1] << 8)); }

static uint32_t get32(const uint8_t *at) { return get16(at) | ((uint32_t)get16(at + 2) << 16); }

/* Two's complement without a conversion that the language leaves open. */
static int16_t get_signed16(const uint8_t *at) {
    int32_t value = get16(at);
    return (int16_t)(value < 0x8000 ? value : value - 0x10000);
}

static void put16(uint8_t *at, uint16_t value) {
    at[0] = (uint8_t)(value & 0xffu);
    at[1] = (uint8_t)(value >> 8);
}

static void put32(uint8_t *at, uint32_t value) {
    put16(at, (uint16_t)(value & 0xffffu));
    put16(at + 2, (uint16_t)(value >> 16));
}

/* CRC-32C (RFC 3720, B.4), four bits at a time: a table of 64 bytes. */
uint32_t brinkmap_crc(const uint8_t *bytes, size_t count) {
    static const uint32_t table[16] = {
        0x00000000u, 0x105ec76fu, 0x20bd8edeu, 0x30e349b1u, 0x417b1dbcu, 0x5125dad3u, 0x61c69362u, 0x7198540du,
        0x82f63b78u, 0x92a8fc17u, 0xa24bb5a6u, 0xb21572c9u, 0xc38d26c4u, 0xd3d3e1abu, 0xe330a81au, 0xf36e6f75u};
    uint32_t crc = 0xffffffffu;
    size_t i;
    for (i = 0; i < count; i++) {
        crc ^= bytes[i];
        crc = (crc >> 4) ^ table[crc & 15u];
        crc = (crc >> 4) ^ table[crc & 15u];
    }
    return crc ^ 0xffffffffu;
}

/* Undoes the byte stuffing in place. Returns the size, or 0 when the bytes are not stuffed ones. */
static uint8_t unstuff(uint8_t *bytes, uint8_t size) {
    uint8_t from = 0, to = 0;
    while (from < size) {
        uint8_t code = bytes[from++];
        if (code == 0u || code - 1u > (unsigned)(size - from)) return 0;
        for (; code > 1u; code--) bytes[to++] = bytes[from++];
        if (from < size) bytes[to++] = 0; /* a frame is shorter than 254 bytes, so each run but the last ends in a zero */
    }
    return to;
}

/* ---- time ---- */

static int has_passed(uint32_t at, uint32_t now) { return now - at < 0x80000000u; }

static uint32_t microseconds(uint16_t milliseconds) { return 1000u * (uint32_t)milliseconds; }

static int is_clock_known(const struct brinkmap_board *board, uint32_t now) {
    return board->clocks > 0u && now - board->known_at < 1000u * UNKNOWN_MS;
}

/* The exchange with the shortest delay: its error is at most half of it (RFC 5905, section 10). */
static uint8_t best_clock(const struct brinkmap_board *board) {
    uint8_t best = 0, i;
    for (i = 1; i < board->clocks; i++)
        if (board->delays[i] <= board->delays[best]) best = i;
    return best;
}

/* An answer to a question for the time. RFC 5905, section 8; all differences wrap. */
static void take_time(struct brinkmap_board *board, const uint8_t *frame, uint32_t now) {
    uint32_t asked = get32(frame + BRINKMAP_TIME_ASKED);
    uint32_t received = get32(frame + BRINKMAP_TIME_RECEIVED);
    uint32_t there = received - get32(frame + BRINKMAP_FRAME_SENT); /* minus the time that the head took */
    uint32_t delay = now - asked + there;
    uint32_t offset = received - asked - delay / 2u;
    uint8_t best;
    if (delay > microseconds(board->setup.old_ms)) return; /* also when the stamps are no exchange at all */
    best = best_clock(board);
    if (board->clocks > 0u) {
        uint32_t apart = offset - board->offsets[best];
        uint32_t most = (delay + board->delays[best]) / 2u + CLOCK_SLACK;
        /* More than the delays explain: the head was started again. */
        if (apart + most > 2u * most) board->clocks = board->next_clock = 0;
    }
    board->offsets[board->next_clock] = offset;
    board->delays[board->next_clock] = delay;
    board->next_clock = (uint8_t)((board->next_clock + 1u) % BRINKMAP_CLOCKS);
    if (board->clocks < BRINKMAP_CLOCKS) board->clocks++;
    board->known_at = now;
}

/* ---- frames from the head ---- */

static void take_pace(struct brinkmap_board *board, const uint8_t *frame, uint32_t sent_at) {
    uint8_t state = frame[BRINKMAP_PACE_STATE], i;
    uint32_t remaining = get32(frame + BRINKMAP_PACE_REMAINING);
    board->has_pace = 1;
    board->pace_sent_at = sent_at;
    board->pace_until = sent_at + (remaining < 0x40000000u ? remaining : 0u);
    board->is_fit = state == BRINKMAP_STATE_CLEAR || state == BRINKMAP_STATE_DARK;
    board->cause = frame[BRINKMAP_PACE_CAUSE];
    board->forward = get16(frame + BRINKMAP_PACE_FORWARD);
    board->backward = get16(frame + BRINKMAP_PACE_BACKWARD);
    board->left = get16(frame + BRINKMAP_PACE_LEFT);
    board->right = get16(frame + BRINKMAP_PACE_RIGHT);
    for (i = 0; i < BRINKMAP_ARCS; i++) {
        board->arcs_forward[i] = get16(frame + BRINKMAP_PACE_ARCS_FORWARD + 2u * i);
        board->arcs_backward[i] = get16(frame + BRINKMAP_PACE_ARCS_BACKWARD + 2u * i);
    }
}

static void take_finding(struct brinkmap_board *board, const uint8_t *frame) {
    uint8_t number = frame[BRINKMAP_FINDING_SENSOR];
    struct brinkmap_floor_state *floor;
    if (number >= BRINKMAP_FLOORS) return;
    floor = &board->floors[number];
    if (!floor->is_open || floor->question != get16(frame + BRINKMAP_FINDING_QUESTION)) return;
    floor->is_open = floor->is_due = floor->is_late = 0;
    floor->is_answered = 1;
    floor->verdict = frame[BRINKMAP_FINDING_VERDICT];
}

static uint8_t frame_size(uint8_t kind) {
    switch (kind) {
    case BRINKMAP_PACE: return BRINKMAP_PACE_SIZE;
    case BRINKMAP_FINDING: return BRINKMAP_FINDING_SIZE;
    case BRINKMAP_DRIVE: return BRINKMAP_DRIVE_SIZE;
    case BRINKMAP_TIME: return BRINKMAP_TIME_SIZE;
    default: return 0;
    }
}

static void refuse(struct brinkmap_board *board) { board->refused++; }

/* A frame whose checksum matches. Everything is checked before anything is believed. */
static void take_frame(struct brinkmap_board *board, const uint8_t *frame, uint32_t now) {
    uint8_t kind = frame[BRINKMAP_FRAME_KIND];
    uint32_t sequence = get32(frame + BRINKMAP_FRAME_SEQUENCE);
    uint32_t sent_at, taken;
    if (get16(frame + BRINKMAP_FRAME_FLAGS) & BRINKMAP_IS_PLAYED) {
        board->is_played = 1;
        board->has_pace = board->has_drive = 0;
        refuse(board);
        return;
    }
    if (board->has_heard && now - board->heard_at > 1000u * FORGET_MS) board->has_heard = 0;
    if (board->has_heard && sequence - board->last_sequence - 1u >= 0x7fffffffu) {
        refuse(board);
        return;
    }
    if (kind == BRINKMAP_TIME) take_time(board, frame, now);
    else {
        if (!is_clock_known(board, now)) {
            refuse(board);
            return;
        }
        sent_at = get32(frame + BRINKMAP_FRAME_SENT) - board->offsets[best_clock(board)];
        taken = now - sent_at;
        if (taken > 0x80000000u && 0u - taken <= CLOCK_SLACK + board->delays[best_clock(board)] / 2u) {
            sent_at = now;
            taken = 0;
        }
        if (taken > microseconds(board->setup.old_ms)) {
            refuse(board);
            return;
        }
        if (kind == BRINKMAP_PACE) take_pace(board, frame, sent_at);
        else if (kind == BRINKMAP_FINDING) take_finding(board, frame);
        else {
            board->drive.forward = get_signed16(frame + BRINKMAP_DRIVE_FORWARD);
            board->drive.turn = get_signed16(frame + BRINKMAP_DRIVE_TURN);
            board->drive_until = sent_at + microseconds(get16(frame + BRINKMAP_DRIVE_HOLDS));
            board->has_drive = 1;
        }
    }
    board->is_played = 0;
    board->has_heard = 1;
    board->heard_at = now;
    board->last_sequence = sequence;
}

static void end_of_frame(struct brinkmap_board *board, uint32_t now) {
    uint8_t *frame = board->received;
    uint8_t size = board->is_too_long ? 0u : unstuff(frame, board->size);
    uint8_t body;
    if (size < BRINKMAP_HEADER_SIZE + BRINKMAP_CHECKSUM_SIZE) {
        board->damaged++;
        return;
    }
    body = (uint8_t)(size - BRINKMAP_CHECKSUM_SIZE);
    if (get32(frame + body) != brinkmap_crc(frame, body)) board->damaged++;
    else if (frame[BRINKMAP_FRAME_LAYOUT] != BRINKMAP_LAYOUT || size != frame_size(frame[BRINKMAP_FRAME_KIND])) refuse(board);
    else take_frame(board, frame, now);
}

void brinkmap_receive(struct brinkmap_board *board, const uint8_t *bytes, size_t count, uint32_t now) {
    size_t i;
    for (i = 0; i < count; i++) {
        if (bytes[i] != 0u) {
            if (board->size < sizeof board->received) board->received[board->size++] = bytes[i];
            else board->is_too_long = 1;
            continue;
        }
        if (board->size > 0u) end_of_frame(board, now);
        board->size = 0;
        board->is_too_long = 0;
    }
}

/* ---- the base's own sensors ---- */

static void halt(struct brinkmap_board *board) {
    board->forward_now = board->turn_now = 0;
}

void brinkmap_contact(struct brinkmap_board *board, uint8_t number, int is_closed, uint32_t now) {
    struct brinkmap_contact_state *contact;
    if (number >= BRINKMAP_CONTACTS) return;
    contact = &board->contacts[number];
    if (contact->is_held && now - contact->edge_at > microseconds(board->setup.knock_ms)) contact->is_held = 0;
    if (!is_closed) return;
    if (!contact->is_held) { /* the first edge acts; a spring that chatters only makes it last */
        halt(board);
        board->stop = BRINKMAP_STOP_CONTACT;
        contact->is_held = 1;
        contact->sends = REPEATS;
        contact->knock = board->next_knock++;
    }
    contact->edge_at = now;
}

static void ask_about(struct brinkmap_board *board, struct brinkmap_floor_state *floor, uint32_t now) {
    floor->is_open = floor->is_due = 1;
    floor->is_late = 0;
    floor->question = board->next_question++;
    floor->asked_at = now;
    floor->sent_at = now - 1000u * REPEAT_MS; /* at once */
}

void brinkmap_floor(struct brinkmap_board *board, uint8_t number, int is_missing, uint32_t now) {
    struct brinkmap_floor_state *floor;
    if (number >= BRINKMAP_FLOORS) return;
    floor = &board->floors[number];
    if (is_missing) floor->missed_at = now;
    if (floor->is_missing == (is_missing != 0)) {
        /* An answer is about one place. A base that goes on asks about the next one; the last answer holds until then. */
        int is_moving = board->forward_now != 0 || board->turn_now != 0;
        if (is_missing && is_moving && !floor->is_open && now - floor->asked_at >= 1000u * ASK_AGAIN_MS)
            ask_about(board, floor, now);
        return;
    }
    /* A sensor that flickers at an edge still misses the floor. */
    if (!is_missing && now - floor->missed_at < 1000u * PRESENT_MS) return;
    floor->is_missing = is_missing != 0;
    floor->is_answered = 0;
    ask_about(board, floor, now);
}

int brinkmap_waiver(struct brinkmap_board *board, uint8_t direction, uint16_t milliseconds, const char *reason, uint32_t now) {
    size_t i;
    if (direction > BRINKMAP_DIRECTION_RIGHT || reason == NULL || reason[0] == '\0') return 0;
    if (milliseconds > board->setup.waiver_ms) milliseconds = board->setup.waiver_ms;
    clear(board->waiver_reason, sizeof board->waiver_reason);
    for (i = 0; i < sizeof board->waiver_reason && reason[i] != '\0'; i++) board->waiver_reason[i] = reason[i];
    board->is_waived = milliseconds > 0u;
    board->waiver_direction = direction;
    board->waiver_until = now + microseconds(milliseconds);
    board->waiver_asked_ms = milliseconds;
    board->waiver_request++;
    board->waiver_sends = REPEATS;
    return 1;
}

void brinkmap_wheels(struct brinkmap_board *board, const int32_t counts[4], int16_t steering_mrad, uint32_t now) {
    copy(board->counts, counts, sizeof board->counts);
    board->steering = steering_mrad;
    board->measured_at = now;
    board->is_wheels_due = 1;
}

void brinkmap_position(struct brinkmap_board *board, int32_t x, int32_t y, int32_t yaw, const int16_t speeds[3], uint32_t now) {
    board->x = x;
    board->y = y;
    board->yaw = yaw;
    copy(board->speeds, speeds, sizeof board->speeds);
    board->measured_at = now;
    board->is_position_due = 1;
}

void brinkmap_battery(struct brinkmap_board *board, uint16_t millivolts, int16_t centiamperes, uint8_t percent, int is_charging, uint32_t now) {
    board->voltage = millivolts;
    board->current = centiamperes;
    board->charge = percent;
    board->is_charging = is_charging != 0;
    board->battery_at = now;
    board->is_battery_due = 1;
}

/* ---- motion ---- */

/* Why the pace itself permits no motion. */
static uint8_t why_no_pace(const struct brinkmap_board *board, uint32_t now) {
    if (board->is_played) return BRINKMAP_STOP_PLAYED;
    if (!is_clock_known(board, now)) return BRINKMAP_STOP_CLOCK;
    if (!board->has_pace || now - board->pace_sent_at > microseconds(board->setup.old_ms)) return BRINKMAP_STOP_SILENCE;
    if (has_passed(board->pace_until, now)) return BRINKMAP_STOP_SILENCE;
    return board->is_fit ? BRINKMAP_STOP_NONE : BRINKMAP_STOP_STATE;
}

static int32_t lesser(int32_t a, int32_t b) { return a < b ? a : b; }

static int32_t magnitude(int32_t value) { return value < 0 ? -value : value; }

/* The pace along an arc, 1/km; between two curvatures with a pace, the slower of the two. */
static int32_t pace_along(const struct brinkmap_board *board, int32_t curvature, int is_forward) {
    const uint16_t *arcs = is_forward ? board->arcs_forward : board->arcs_backward;
    uint8_t i;
    for (i = 0; i < BRINKMAP_ARCS; i++) {
        if (curvatures[i] + SAME_ARC < curvature) continue;
        if (curvatures[i] - SAME_ARC <= curvature) {
            if (curvatures[i] == 0) return is_forward ? board->forward : board->backward;
            return arcs[i];
        }
        return i == 0u ? 0 : lesser(arcs[i], arcs[i - 1u]);
    }
    return 0;
}

/* The wanted motion within the pace: slower along the same arc, or turned on the spot when the arc is tighter than any with a pace. */
static struct brinkmap_motion within_pace(const struct brinkmap_board *board, struct brinkmap_motion wanted) {
    struct brinkmap_motion may = {0, 0};
    int32_t forward = wanted.forward, turn = wanted.turn, speed = magnitude(forward), most;
    if (speed != 0) {
        int32_t curvature = 1000 * turn / forward; /* mrad/s over mm/s is 1/m */
        if (magnitude(curvature) <= TIGHTEST + SAME_ARC) {
            most = lesser(speed, pace_along(board, curvature, forward > 0));
            may.forward = (int16_t)(forward > 0 ? most : -most);
            may.turn = (int16_t)(turn * most / speed);
            return may;
        }
    }
    most = lesser(magnitude(turn), turn > 0 ? board->left : board->right);
    may.turn = (int16_t)(turn > 0 ? most : -most);
    return may;
}

/* Under a waiver: slowly, in its direction only. */
static struct brinkmap_motion within_waiver(const struct brinkmap_board *board, struct brinkmap_motion wanted) {
    struct brinkmap_motion may = {0, 0};
    int32_t slow = board->setup.slow_speed;
    switch (board->waiver_direction) {
    case BRINKMAP_DIRECTION_FORWARD:
        if (wanted.forward > 0) may.forward = (int16_t)lesser(wanted.forward, slow);
        break;
    case BRINKMAP_DIRECTION_BACKWARD:
        if (wanted.forward < 0) may.forward = (int16_t)-lesser(-wanted.forward, slow);
        break;
    case BRINKMAP_DIRECTION_LEFT:
        if (wanted.turn > 0) may.turn = (int16_t)lesser(wanted.turn, 4 * slow);
        break;
    default:
        if (wanted.turn < 0) may.turn = (int16_t)-lesser(-wanted.turn, 4 * slow);
    }
    return may;
}

/* Slower along the same arc, so that the base goes at most `most` mm/s, and turns at most four times that in mrad/s. */
static struct brinkmap_motion slowed(struct brinkmap_motion motion, int32_t most) {
    int32_t speed = magnitude(motion.forward), turn = magnitude(motion.turn);
    if (speed > most) {
        motion.turn = (int16_t)(motion.turn * most / speed);
        motion.forward = (int16_t)(motion.forward > 0 ? most : -most);
        turn = magnitude(motion.turn);
    }
    if (turn > 4 * most) {
        motion.forward = (int16_t)(motion.forward * (4 * most) / turn);
        motion.turn = (int16_t)(motion.turn > 0 ? 4 * most : -4 * most);
    }
    return motion;
}

/* What the base's own sensors leave of a motion. Away from a contact or a missing floor the base may go straight; it does not turn. */
static struct brinkmap_motion within_sensors(struct brinkmap_board *board, struct brinkmap_motion may, uint32_t now, uint8_t *stop) {
    uint8_t i;
    int is_ahead = 0, is_behind = 0, is_slow = 0;
    for (i = 0; i < BRINKMAP_CONTACTS; i++) {
        struct brinkmap_contact_state *contact = &board->contacts[i];
        if (contact->is_held && now - contact->edge_at > microseconds(board->setup.knock_ms)) contact->is_held = 0;
        if (!contact->is_held) continue;
        *stop = BRINKMAP_STOP_CONTACT;
        if (board->setup.contacts[i].x >= 0) is_ahead = 1;
        if (board->setup.contacts[i].x <= 0) is_behind = 1;
    }
    for (i = 0; i < BRINKMAP_FLOORS; i++) {
        struct brinkmap_floor_state *floor = &board->floors[i];
        if (floor->is_open && now - floor->asked_at > microseconds(board->setup.answer_ms)) floor->is_late = 1;
        if (!floor->is_missing) continue;
        is_slow = 1;
        /* Until the first answer is due the base goes on slowly; then only a head that sees firm floor there lets it go on. */
        if (!floor->is_late && (!floor->is_answered || floor->verdict == BRINKMAP_VERDICT_DISAGREES)) continue;
        *stop = BRINKMAP_STOP_FLOOR;
        if (board->setup.floors[i].x >= 0) is_ahead = 1;
        if (board->setup.floors[i].x <= 0) is_behind = 1;
    }
    if (is_slow) may = slowed(may, board->setup.slow_speed);
    if (is_ahead || is_behind) {
        may.turn = 0;
        if (is_ahead && may.forward > 0) may.forward = 0;
        if (is_behind && may.forward < 0) may.forward = 0;
    }
    return may;
}

/* Steps of 1/256 that a rate allows in a period: rate * period * 256 / 1e6. */
static int32_t change(uint16_t rate, uint32_t period) {
    uint32_t whole = rate > 20000u ? 20000u : rate;
    return (int32_t)(whole * period / 3906u);
}

/* Moves both speeds by one share of what is left to change, so that the base stays on the line between the two motions, and brakes along its arc.
 * Braking ahead or back is never slower for the sake of the turn. */
static void ramp(struct brinkmap_board *board, struct brinkmap_motion may, uint32_t period) {
    int32_t forward = 256 * (int32_t)may.forward - board->forward_now;
    int32_t turn = 256 * (int32_t)may.turn - board->turn_now;
    int is_braking = board->forward_now != 0 && (forward < 0) == (board->forward_now > 0);
    int is_calming = board->turn_now != 0 && (turn < 0) == (board->turn_now > 0);
    int32_t most_forward = change(is_braking ? board->setup.deceleration : board->setup.acceleration, period);
    int32_t most_turn = change(is_calming ? board->setup.turn_deceleration : board->setup.turn_acceleration, period);
    int64_t forward_left = magnitude(forward), turn_left = magnitude(turn);
    int is_forward_slower = is_braking || forward_left * most_turn >= turn_left * most_forward;
    if (is_forward_slower && forward_left > most_forward) {
        turn = (int32_t)(turn * (int64_t)most_forward / forward_left);
        forward = forward < 0 ? -most_forward : most_forward;
    } else if (!is_forward_slower && turn_left > most_turn) {
        forward = (int32_t)(forward * (int64_t)most_turn / turn_left);
        turn = turn < 0 ? -most_turn : most_turn;
    }
    board->forward_now += forward;
    board->turn_now += turn;
}

/* Whether the base, as it moves now, is no faster than the pace of the arc that it is on. */
static int is_within_pace(const struct brinkmap_board *board) {
    int32_t speed = magnitude(board->forward_now), curvature;
    if (speed <= 256 * CREEP) return 1;
    curvature = (int32_t)(1000 * (int64_t)board->turn_now / board->forward_now);
    return speed <= 256 * (pace_along(board, curvature, board->forward_now > 0) + 1);
}

/* Goes from the present motion towards another. Between two arcs lie others, whose pace may be lower: where the base would be too fast for
 * them, it brakes along the arc that it is on. */
static void change_motion(struct brinkmap_board *board, struct brinkmap_motion may, uint32_t period) {
    struct brinkmap_motion none = {0, 0};
    int32_t forward = board->forward_now, turn = board->turn_now;
    ramp(board, may, period);
    if (is_within_pace(board)) return;
    board->forward_now = forward;
    board->turn_now = turn;
    ramp(board, none, period);
}

struct brinkmap_motion brinkmap_wanted(const struct brinkmap_board *board, uint32_t now) {
    struct brinkmap_motion none = {0, 0};
    return board->has_drive && !has_passed(board->drive_until, now) ? board->drive : none;
}

struct brinkmap_motion brinkmap_motion_now(const struct brinkmap_board *board) {
    struct brinkmap_motion motion;
    motion.forward = (int16_t)(board->forward_now / 256);
    motion.turn = (int16_t)(board->turn_now / 256);
    return motion;
}

struct brinkmap_motion brinkmap_step(struct brinkmap_board *board, struct brinkmap_motion wanted, uint32_t now) {
    uint32_t period = board->has_stepped ? now - board->stepped_at : 0u;
    struct brinkmap_motion may = {0, 0};
    uint8_t stop = why_no_pace(board, now);
    if (period > LONGEST_PERIOD) period = LONGEST_PERIOD;
    board->stepped_at = now;
    board->has_stepped = 1;
    /* Old stamps must not look new again when the clock wraps. */
    if (board->is_waived && has_passed(board->waiver_until, now)) board->is_waived = 0;
    if (board->has_drive && has_passed(board->drive_until, now)) board->has_drive = 0;
    if (board->has_pace && stop == BRINKMAP_STOP_SILENCE) board->has_pace = 0;
    if (!is_clock_known(board, now)) board->clocks = board->next_clock = 0;
    if (board->has_heard && now - board->heard_at > 1000u * FORGET_MS) board->has_heard = 0;
    if (board->is_waived) {
        may = within_waiver(board, wanted);
        stop = BRINKMAP_STOP_NONE;
    } else if (stop == BRINKMAP_STOP_NONE) may = within_pace(board, wanted);
    may = within_sensors(board, may, now, &stop);
    board->stop = stop;
    if (stop == BRINKMAP_STOP_NONE && !board->is_waived) change_motion(board, may, period);
    else ramp(board, may, period);
    return brinkmap_motion_now(board);
}

/* ---- frames to the head ---- */

static uint8_t *begin(struct brinkmap_board *board, uint8_t *frame, uint8_t kind, uint32_t age, uint32_t now) {
    clear(frame, BRINKMAP_LONGEST_FRAME);
    frame[BRINKMAP_FRAME_LAYOUT] = BRINKMAP_LAYOUT;
    frame[BRINKMAP_FRAME_KIND] = kind;
    put32(frame + BRINKMAP_FRAME_SEQUENCE, board->sequence++);
    put32(frame + BRINKMAP_FRAME_SENT, now);
    put32(frame + BRINKMAP_FRAME_AGE, age);
    return frame;
}

/* Adds the checksum, and stuffs the frame between two zero bytes. */
static size_t finish(uint8_t *frame, uint8_t size, uint8_t *out) {
    size_t code = 1, at = 2, i;
    put32(frame + size - BRINKMAP_CHECKSUM_SIZE, brinkmap_crc(frame, size - BRINKMAP_CHECKSUM_SIZE));
    out[0] = 0;
    for (i = 0; i < size; i++) {
        if (frame[i] != 0u) out[at++] = frame[i];
        else {
            out[code] = (uint8_t)(at - code);
            code = at++;
        }
    }
    out[code] = (uint8_t)(at - code);
    out[at++] = 0;
    return at;
}

static int is_due(uint32_t last, uint32_t milliseconds, uint32_t now) { return now - last >= 1000u * milliseconds; }

static void put_place(uint8_t *at, struct brinkmap_place place) {
    put16(at, (uint16_t)place.x);
    put16(at + 2, (uint16_t)place.y);
}

/* What must not be lost, first. Returns the size of the frame, or 0. */
static uint8_t urgent(struct brinkmap_board *board, uint8_t *frame, uint32_t now) {
    uint8_t i;
    for (i = 0; i < BRINKMAP_CONTACTS; i++) {
        struct brinkmap_contact_state *contact = &board->contacts[i];
        if (contact->sends == 0u || (contact->sends < REPEATS && !is_due(contact->sent_at, REPEAT_MS, now))) continue;
        if (contact->sends == REPEATS) contact->closed_at = contact->edge_at;
        contact->sends--;
        contact->sent_at = now;
        begin(board, frame, BRINKMAP_CONTACT, now - contact->closed_at, now);
        frame[BRINKMAP_CONTACT_CONTACT] = i;
        frame[BRINKMAP_CONTACT_KNOCK] = contact->knock;
        put_place(frame + BRINKMAP_CONTACT_X, board->setup.contacts[i]);
        put16(frame + BRINKMAP_CONTACT_Z, (uint16_t)board->setup.contacts[i].z);
        return BRINKMAP_CONTACT_SIZE;
    }
    for (i = 0; i < BRINKMAP_FLOORS; i++) {
        struct brinkmap_floor_state *floor = &board->floors[i];
        if (!floor->is_due || !is_due(floor->sent_at, REPEAT_MS, now)) continue;
        floor->sent_at = now;
        begin(board, frame, BRINKMAP_FLOOR, now - floor->asked_at, now);
        frame[BRINKMAP_FLOOR_SENSOR] = i;
        frame[BRINKMAP_FLOOR_IS_MISSING] = floor->is_missing;
        put16(frame + BRINKMAP_FLOOR_QUESTION, floor->question);
        put_place(frame + BRINKMAP_FLOOR_X, board->setup.floors[i]);
        return BRINKMAP_FLOOR_SIZE;
    }
    if (board->waiver_sends > 0u && (board->waiver_sends == REPEATS || is_due(board->waiver_sent_at, REPEAT_MS, now))) {
        if (board->waiver_sends == REPEATS) board->waiver_asked_at = now;
        board->waiver_sends--;
        board->waiver_sent_at = now;
        begin(board, frame, BRINKMAP_WAIVER, now - board->waiver_asked_at, now);
        frame[BRINKMAP_WAIVER_DIRECTION] = board->waiver_direction;
        frame[BRINKMAP_WAIVER_REQUEST] = board->waiver_request;
        put16(frame + BRINKMAP_WAIVER_DURATION, board->waiver_asked_ms);
        copy(frame + BRINKMAP_WAIVER_REASON, board->waiver_reason, BRINKMAP_REASON);
        return BRINKMAP_WAIVER_SIZE;
    }
    return 0;
}

/* A question for the time, or the state of the board, when it is due. */
static uint8_t regular(struct brinkmap_board *board, uint8_t *frame, uint32_t now) {
    int is_changed = board->stop != board->told_stop || board->is_waived != board->told_waived;
    if (!board->has_asked || is_due(board->asked_at, board->clocks < BRINKMAP_CLOCKS ? ASK_FIRST_MS : ASK_MS, now)) {
        int is_known = is_clock_known(board, now);
        uint8_t best = best_clock(board);
        board->asked_at = now;
        board->has_asked = 1;
        begin(board, frame, BRINKMAP_ASK, 0, now);
        frame[BRINKMAP_ASK_IS_KNOWN] = (uint8_t)is_known;
        put32(frame + BRINKMAP_ASK_OFFSET, is_known ? board->offsets[best] : 0u);
        put32(frame + BRINKMAP_ASK_DELAY, is_known ? board->delays[best] : 0u);
        return BRINKMAP_ASK_SIZE;
    }
    if (!board->has_told || is_due(board->told_at, is_changed ? REPEAT_MS : TELL_MS, now)) {
        struct brinkmap_motion motion = brinkmap_motion_now(board);
        board->told_at = now;
        board->has_told = 1;
        board->told_stop = board->stop;
        board->told_waived = board->is_waived;
        begin(board, frame, BRINKMAP_STATE, 0, now);
        frame[BRINKMAP_STATE_STOP] = board->stop;
        frame[BRINKMAP_STATE_IS_WAIVED] = board->is_waived;
        put16(frame + BRINKMAP_STATE_FORWARD, (uint16_t)motion.forward);
        put16(frame + BRINKMAP_STATE_TURN, (uint16_t)motion.turn);
        put16(frame + BRINKMAP_STATE_REFUSED, board->refused);
        put16(frame + BRINKMAP_STATE_DAMAGED, board->damaged);
        return BRINKMAP_STATE_SIZE;
    }
    return 0;
}

/* The newest measurements. */
static uint8_t measured(struct brinkmap_board *board, uint8_t *frame, uint32_t now) {
    uint8_t i;
    if (board->is_wheels_due) {
        board->is_wheels_due = 0;
        begin(board, frame, BRINKMAP_WHEELS, now - board->measured_at, now);
        for (i = 0; i < 4u; i++) put32(frame + BRINKMAP_WHEELS_COUNTS + 4u * i, (uint32_t)board->counts[i]);
        put16(frame + BRINKMAP_WHEELS_STEERING, (uint16_t)board->steering);
        return BRINKMAP_WHEELS_SIZE;
    }
    if (board->is_position_due) {
        board->is_position_due = 0;
        begin(board, frame, BRINKMAP_POSITION, now - board->measured_at, now);
        put32(frame + BRINKMAP_POSITION_X, (uint32_t)board->x);
        put32(frame + BRINKMAP_POSITION_Y, (uint32_t)board->y);
        put32(frame + BRINKMAP_POSITION_YAW, (uint32_t)board->yaw);
        for (i = 0; i < 3u; i++) put16(frame + BRINKMAP_POSITION_FORWARD + 2u * i, (uint16_t)board->speeds[i]);
        return BRINKMAP_POSITION_SIZE;
    }
    if (board->is_battery_due) {
        board->is_battery_due = 0;
        begin(board, frame, BRINKMAP_BATTERY, now - board->battery_at, now);
        put16(frame + BRINKMAP_BATTERY_VOLTAGE, board->voltage);
        put16(frame + BRINKMAP_BATTERY_CURRENT, (uint16_t)board->current);
        frame[BRINKMAP_BATTERY_CHARGE] = board->charge;
        frame[BRINKMAP_BATTERY_IS_CHARGING] = board->is_charging;
        return BRINKMAP_BATTERY_SIZE;
    }
    return 0;
}

size_t brinkmap_send(struct brinkmap_board *board, uint8_t out[BRINKMAP_WIRE_FRAME], uint32_t now) {
    uint8_t frame[BRINKMAP_LONGEST_FRAME];
    uint8_t size = urgent(board, frame, now);
    if (size == 0u) size = regular(board, frame, now);
    if (size == 0u) size = measured(board, frame, now);
    return size == 0u ? 0u : finish(frame, size, out);
}

void brinkmap_init(struct brinkmap_board *board, const struct brinkmap_setup *setup) {
    clear(board, sizeof *board);
    board->setup = *setup;
    if (board->setup.old_ms == 0u) board->setup.old_ms = BRINKMAP_OLD_MS;
    if (board->setup.knock_ms == 0u) board->setup.knock_ms = DEFAULT_KNOCK_MS;
    if (board->setup.answer_ms == 0u) board->setup.answer_ms = DEFAULT_ANSWER_MS;
    if (board->setup.waiver_ms == 0u) board->setup.waiver_ms = DEFAULT_WAIVER_MS;
    if (board->setup.slow_speed == 0u) board->setup.slow_speed = DEFAULT_SLOW;
    if (board->setup.slow_speed > MOST_SLOW) board->setup.slow_speed = MOST_SLOW;
    board->stop = BRINKMAP_STOP_CLOCK;
}
