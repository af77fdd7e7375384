import type { Motion } from "./shown.ts";

/** What to do in each motion of a mounting drive, from above. The base is [=>, its lens at the point of the arrow. */
export const MOTION_PICTURES: Readonly<Record<Motion, readonly string[]>> = {
  rest: [
    "                            |",
    "        [=>   . . . . . .   | wall or furniture, 1 to 3 m away",
    "     stand still            |",
  ],
  left: [
    "         A   turn left on the spot",
    "     <---.   by a right angle, then stop",
    "    (     \\",
    "        [=>",
  ],
  right: [
    "        [=>",
    "    (     /",
    "     <---'   turn right on the spot",
    "         V   by a right angle, then stop",
  ],
  straight: [
    "    [=> - - - - - - - -> [=>   then by a right angle,",
    "         a metre               and the next metre:",
    "    4 - - - 3                  four directions in all",
    "    |       |",
    "    1 - - - 2",
  ],
  brake: ["    [=> > >> >>> >>>>>>|[=>", "        briskly        |stop firmly, stand half a second"],
};
