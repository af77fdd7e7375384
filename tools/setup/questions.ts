/** Every question of the setup, by the name under which `--answer` takes its answer. */
export const QUESTIONS = {
  camera: {
    text: "Which depth camera?",
    help: "A number of the list, or none. The head needs a camera whose image is depth (Z16), not colour.",
  },
  format: {
    text: "Which size of its depth image?",
    help: "A number of the list. The head works with about 50,000 pixels and bins larger images.",
  },
  fov: {
    text: "Horizontal angle of view of the depth image, degrees?",
    help: "From the camera's data sheet, for depth at this size. Or measure it: twice atan(half the width seen / distance to a flat wall).",
  },
  unit: {
    text: "Metres of one count of depth?",
    help: "From the data sheet; 0.001 (a millimetre) is the most common. A wrong unit makes all floor too near or too far.",
  },
  nearest: {
    text: "Shortest range that it measures, m?",
    help: "From the data sheet. Nearer returns are not used.",
  },
  farthest: {
    text: "Longest range that it measures indoors, m?",
    help: "From the data sheet. Farther returns are not used.",
  },
  imu: {
    text: "Which inertial sensor?",
    help: "A number of the list, or none. It tells gyro and accelerometer, or an attitude.",
  },
  board: {
    text: "Which serial device is the motor board?",
    help: "A number of the list, or none. The head sends frames to it: choose no other device (docs/motor-board.md).",
  },
  speed: { text: "Speed of the serial line, baud?", help: "The same as in the board's program." },
  height: {
    text: "Height of the lens above the floor by tape, m?",
    help: "From the floor to the middle of the lens's glass, the base on level floor. To 5 mm; the drive finds it better.",
  },
  pitch: {
    text: "By how many degrees does the lens look down?",
    help: "0 is level. Within 10 degrees is enough; the drive finds it.",
  },
  ahead: {
    text: "How far is the lens ahead of the point about which the base turns, m?",
    help: "Negative behind it. For two driven wheels that point is the middle between them.",
  },
  left: { text: "How far is it to the left of that point, m?", help: "Negative to the right." },
  outline: {
    text: "Outline of the base with all that sticks out?",
    help: 'round 0.36 (diameter, m); box 0.30 0.14 0.34 (ahead of the turning point, behind it, width); or corners "x,y x,y x,y", x ahead and y left.',
  },
  tall: {
    text: "Highest point of the robot with its load, m?",
    help: "Whatever hangs lower is an obstacle.",
  },
  deceleration: {
    text: "Deceleration of the brakes as measured, m/s2, or none?",
    help: "On the worst floor with full load, the lowest of ten (docs/mounting-the-head.md). none: the head permits no motion until it is set.",
  },
  delay: {
    text: "Delay from sending a stop until the speed falls, as measured, s, or none?",
    help: "The longest of ten. none: the head permits no motion until it is set.",
  },
  kind: {
    text: "Kind of the base: differential, steered, or none?",
    help: "differential: two driven wheels. steered: one axle is steered. none: the board sends its position, or the wheels are entered into the file by hand.",
  },
  radius: {
    text: "Radius of a driven wheel under load, m?",
    help: "Within 3 % is enough; the drive finds it.",
  },
  track: {
    text: "Distance between the middles of the driven wheels, m?",
    help: "Within 5 % is enough; the drive finds it.",
  },
  wheelbase: {
    text: "Distance from the rear axle to the steered one, m?",
    help: "Within 5 % is enough; the drive finds it.",
  },
  counts: { text: "Counts of one turn of a wheel, gear included?", help: "As the board sends them." },
  floor: {
    text: "Does the picture show the floor where it is, and what stands on it where that is?",
    help: "yes or no. Put a shoe on the floor and see whether it appears as #.",
  },
  tape: {
    text: "Distance by tape from the lens to a flat wall that it faces, m, or none?",
    help: "It shows a bias of the ranges. The wall is flat, light and about a metre away, and the base stands square to it.",
  },
  stopped: { text: "Did the wheels stop at once?", help: "yes or no. Covering the lens must stop them." },
  halted: {
    text: "Did the base stop by itself, without touching the box?",
    help: "yes or no. no also when you stopped it.",
  },
  write: { text: "Write the settings file?", help: "yes writes it. no changes nothing." },
} as const satisfies Record<string, { readonly text: string; readonly help: string }>;

export type QuestionName = keyof typeof QUESTIONS;
