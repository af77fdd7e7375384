/* Layouts of the frames between a head and a motor board. Made by `npm run lab -- layouts`: do not edit.
 * Offsets are bytes from the first one of the frame before stuffing. Numbers are little-endian. */
#ifndef BRINKMAP_LAYOUTS_H
#define BRINKMAP_LAYOUTS_H

#define BRINKMAP_LAYOUT                    1u /* version of the layouts */
#define BRINKMAP_HEADER_SIZE               16u
#define BRINKMAP_CHECKSUM_SIZE             4u /* CRC-32C of all bytes before it */
#define BRINKMAP_LONGEST_FRAME             64u /* with the checksum, before stuffing */
#define BRINKMAP_IS_PLAYED                 1u /* bit of the flags */
#define BRINKMAP_NO_CAUSE                  255u /* pace.cause: nothing limits the pace */
#define BRINKMAP_NO_CHARGE                 255u /* battery.charge: not known */
#define BRINKMAP_OLD_MS                    60u /* a frame or a pace older than this is not obeyed */
#define BRINKMAP_ARCS                      7u
#define BRINKMAP_CURVATURES                {-2000, -1000, -500, 0, 500, 1000, 2000} /* 1/km, positive to the left */

/* Every frame begins with these. */
#define BRINKMAP_FRAME_LAYOUT              0u /* u8: version of the layouts, 1 */
#define BRINKMAP_FRAME_KIND                1u /* u8: which of the frames below */
#define BRINKMAP_FRAME_FLAGS               2u /* u16: bit 0: the head plays a recording or simulates its sensors, do not obey */
#define BRINKMAP_FRAME_SEQUENCE            4u /* u32: counts up by one with each frame of a sender, wraps */
#define BRINKMAP_FRAME_SENT                8u /* u32: the sender's clock when it was sent, microseconds, wraps */
#define BRINKMAP_FRAME_AGE                 12u /* u32: how old the contents were then, microseconds; 4294967295 for that or older */

/* From the head. The paces of the newest reach. Sent with each reach, and again every 20 ms with its new age. */
#define BRINKMAP_PACE                      1u
#define BRINKMAP_PACE_SIZE                 64u /* with header and checksum */
#define BRINKMAP_PACE_STATE                16u /* u8: state of the reach, as in the glance datagram; anything but 0 and 1: stop */
#define BRINKMAP_PACE_CAUSE                17u /* u8: what limits the pace ahead: a code as in pace.limit.cause; 255: nothing */
#define BRINKMAP_PACE_DISTANCE             18u /* u16: until the outline meets it, mm; 65535: that or more, or nothing limits */
#define BRINKMAP_PACE_REMAINING            20u /* u32: validity of the paces from sent, microseconds; then stop */
#define BRINKMAP_PACE_FORWARD              24u /* u16: pace ahead, mm/s */
#define BRINKMAP_PACE_BACKWARD             26u /* u16: pace back, mm/s */
#define BRINKMAP_PACE_LEFT                 28u /* u16: turning on the spot to the left, mrad/s */
#define BRINKMAP_PACE_RIGHT                30u /* u16: turning on the spot to the right, mrad/s */
#define BRINKMAP_PACE_ARCS_FORWARD         32u /* u16[7]: paces along arcs of curvature -2, -1, -0.5, 0, 0.5, 1, 2 per metre, mm/s */
#define BRINKMAP_PACE_ARCS_BACKWARD        46u /* u16[7]: the same backwards, mm/s */

/* From the head. The answer to a question of floor. */
#define BRINKMAP_FINDING                   2u
#define BRINKMAP_FINDING_SIZE              24u /* with header and checksum */
#define BRINKMAP_FINDING_SENSOR            16u /* u8: number of the floor sensor */
#define BRINKMAP_FINDING_VERDICT           17u /* u8: 0 agrees, 1 disagrees, 2 cannot see */
#define BRINKMAP_FINDING_QUESTION          18u /* u16: number of the question */

/* From the head. A command of a client that drives the base. The board obeys it within the pace only. */
#define BRINKMAP_DRIVE                     3u
#define BRINKMAP_DRIVE_SIZE                26u /* with header and checksum */
#define BRINKMAP_DRIVE_FORWARD             16u /* i16: mm/s, negative backwards */
#define BRINKMAP_DRIVE_TURN                18u /* i16: mrad/s, positive to the left */
#define BRINKMAP_DRIVE_HOLDS               20u /* u16: milliseconds from sent for which it holds; then stop */

/* From the head. The answer to ask; sent is the fourth stamp (RFC 5905, section 8). */
#define BRINKMAP_TIME                      4u
#define BRINKMAP_TIME_SIZE                 28u /* with header and checksum */
#define BRINKMAP_TIME_ASKED                16u /* u32: sent of the question */
#define BRINKMAP_TIME_RECEIVED             20u /* u32: the head's clock when the question arrived, microseconds */

/* From the board. Counts of the wheels, accumulated since the start of the board; age is that of the counts. */
#define BRINKMAP_WHEELS                    129u
#define BRINKMAP_WHEELS_SIZE               38u /* with header and checksum */
#define BRINKMAP_WHEELS_COUNTS             16u /* i32[4]: in the order of base.wheels; unused ones are 0; wrap */
#define BRINKMAP_WHEELS_STEERING           32u /* i16: angle of a steered wheel on the middle line, mrad, positive to the left; else 0 */

/* From the board. Odometry of a board that computes it, accumulated since its start, instead of wheels. */
#define BRINKMAP_POSITION                  130u
#define BRINKMAP_POSITION_SIZE             38u /* with header and checksum */
#define BRINKMAP_POSITION_X                16u /* i32: forward at the start, 0.1 mm */
#define BRINKMAP_POSITION_Y                20u /* i32: left at the start, 0.1 mm */
#define BRINKMAP_POSITION_YAW              24u /* i32: counter-clockwise, not wrapped, 0.1 mrad */
#define BRINKMAP_POSITION_FORWARD          28u /* i16: speed, mm/s */
#define BRINKMAP_POSITION_LEFT             30u /* i16: speed, mm/s */
#define BRINKMAP_POSITION_TURN             32u /* i16: turning speed, mrad/s */

/* From the board. A contact has closed. Sent five times with the same knock, because frames may be lost. */
#define BRINKMAP_CONTACT                   131u
#define BRINKMAP_CONTACT_SIZE              28u /* with header and checksum */
#define BRINKMAP_CONTACT_CONTACT           16u /* u8: number of the contact */
#define BRINKMAP_CONTACT_KNOCK             17u /* u8: counts up with each knock, wraps */
#define BRINKMAP_CONTACT_X                 18u /* i16: from the base's floor point, mm; x forward, y left */
#define BRINKMAP_CONTACT_Y                 20u /* i16: from the base's floor point, mm; x forward, y left */
#define BRINKMAP_CONTACT_Z                 22u /* i16: height above the floor, mm */

/* From the board. A floor sensor reports that the floor is missing, or present again. Repeated until finding comes. */
#define BRINKMAP_FLOOR                     132u
#define BRINKMAP_FLOOR_SIZE                28u /* with header and checksum */
#define BRINKMAP_FLOOR_SENSOR              16u /* u8: number of the floor sensor */
#define BRINKMAP_FLOOR_IS_MISSING          17u /* u8: 1: the floor is missing; 0: present */
#define BRINKMAP_FLOOR_QUESTION            18u /* u16: number of the question; the finding repeats it */
#define BRINKMAP_FLOOR_X                   20u /* i16: from the base's floor point, mm; x forward, y left */
#define BRINKMAP_FLOOR_Y                   22u /* i16: from the base's floor point, mm; x forward, y left */

/* From the board. The battery. */
#define BRINKMAP_BATTERY                   133u
#define BRINKMAP_BATTERY_SIZE              26u /* with header and checksum */
#define BRINKMAP_BATTERY_VOLTAGE           16u /* u16: mV */
#define BRINKMAP_BATTERY_CURRENT           18u /* i16: 10 mA, positive when it discharges */
#define BRINKMAP_BATTERY_CHARGE            20u /* u8: percent; 255: not known */
#define BRINKMAP_BATTERY_IS_CHARGING       21u /* u8: 1: it is being charged */

/* From the board. What the board does, and why it stands. Sent at each change and five times a second. */
#define BRINKMAP_STATE                     134u
#define BRINKMAP_STATE_SIZE                30u /* with header and checksum */
#define BRINKMAP_STATE_STOP                16u /* u8: why the board itself permits no motion, or none in one direction; see below */
#define BRINKMAP_STATE_IS_WAIVED           17u /* u8: 1: a waiver of the board replaces the pace */
#define BRINKMAP_STATE_FORWARD             18u /* i16: commanded speed, mm/s */
#define BRINKMAP_STATE_TURN                20u /* i16: commanded turning speed, mrad/s */
#define BRINKMAP_STATE_REFUSED             22u /* u16: frames refused so far, wraps: old, repeated, of a recording, or of another layout */
#define BRINKMAP_STATE_DAMAGED             24u /* u16: damaged frames so far, wraps */

/* From the board. The base overrides a stop on its own responsibility. Sent five times with the same request. */
#define BRINKMAP_WAIVER                    135u
#define BRINKMAP_WAIVER_SIZE               48u /* with header and checksum */
#define BRINKMAP_WAIVER_DIRECTION          16u /* u8: 0 forward, 1 backward, 2 left, 3 right */
#define BRINKMAP_WAIVER_REQUEST            17u /* u8: counts up with each waiver, wraps */
#define BRINKMAP_WAIVER_DURATION           18u /* u16: milliseconds; 0 withdraws it */
#define BRINKMAP_WAIVER_REASON             20u /* text, 24 bytes: ASCII, filled up with zero bytes */

/* From the board. Asks for the head's time, and tells what the board knows of it. */
#define BRINKMAP_ASK                       136u
#define BRINKMAP_ASK_SIZE                  29u /* with header and checksum */
#define BRINKMAP_ASK_IS_KNOWN              16u /* u8: 1: the next two are known */
#define BRINKMAP_ASK_OFFSET                17u /* u32: the head's clock minus the board's, microseconds, wraps */
#define BRINKMAP_ASK_DELAY                 21u /* u32: round trip of the exchange that gave it, microseconds */

/* State of a reach. */
#define BRINKMAP_STATE_CLEAR               0u
#define BRINKMAP_STATE_DARK                1u
#define BRINKMAP_STATE_COVERED             2u
#define BRINKMAP_STATE_LATE                3u
#define BRINKMAP_STATE_BLIND               4u
#define BRINKMAP_STATE_LOST                5u
#define BRINKMAP_STATE_FROZEN              6u
#define BRINKMAP_STATE_WAITING             7u
#define BRINKMAP_STATE_UNCONFIGURED        8u

/* Verdict of a finding. */
#define BRINKMAP_VERDICT_AGREES            0u
#define BRINKMAP_VERDICT_DISAGREES         1u
#define BRINKMAP_VERDICT_CANNOT_SEE        2u

/* Direction of a waiver. */
#define BRINKMAP_DIRECTION_FORWARD         0u
#define BRINKMAP_DIRECTION_BACKWARD        1u
#define BRINKMAP_DIRECTION_LEFT            2u
#define BRINKMAP_DIRECTION_RIGHT           3u

/* Why the board stands. */
#define BRINKMAP_STOP_NONE                 0u
#define BRINKMAP_STOP_SILENCE              1u
#define BRINKMAP_STOP_STATE                2u
#define BRINKMAP_STOP_CLOCK                3u
#define BRINKMAP_STOP_PLAYED               4u
#define BRINKMAP_STOP_CONTACT              5u
#define BRINKMAP_STOP_FLOOR                6u

#endif
