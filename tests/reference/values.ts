/*
 * Expected numbers that several tests share. Each is computed by the Python script named beside it, with numpy or scipy and
 * nothing of the project; values.test.ts runs the scripts and compares.
 */

/** point_to_plane.py: one linear step (rotation vector, translation) of three walls moved by `WALLS_MOTION`. */
export const WALLS_STEP = [0.010000848, -0.020003206, 0.015001757, 0.029381537, -0.020323801, 0.009497178];
export const WALLS_MOTION = { turned: [0.01, -0.02, 0.015], moved: [0.03, -0.02, 0.01] } as const;
/** point_to_plane.py: eigenvalues of the normal matrix of a floor and two side walls; the 0 is motion along them. */
export const CORRIDOR_EIGENVALUES = [0, 33.75, 45, 75, 90, 150];

/** floor_scenes.py: z-depths, metres, in rows 20, 30 and 45 of column 40; 0 is none. */
export const FLOOR_DEPTHS = [
  ["flat", 0.3, 30, 0.6, [0.943311, 0.588723, 0.376459]],
  ["ledge20", 0.3, 30, 0.45, [1.006198, 0.627971, 0.376459]],
  ["stair178x279", 0.15, 25, 0.2, [0, 5.283824, 0.204547]],
  ["threshold13", 0.3, 30, 0.45, [0.943311, 0.563212, 0.376459]],
] as const;

/**
 * floor_light.py: how far ahead, metres, a sensor 0.3 m above a floor of each reflectance gets a return, when it just sees
 * a 0.8 wall at 4 m.
 */
export const DARK_FLOOR_LIMIT = [
  [0.02, 0.3915],
  [0.05, 0.5984],
  [0.1, 0.7883],
  [0.2, 1.0194],
  [0.4, 1.3048],
  [0.5, 1.4107],
  [0.8, 1.66],
] as const;

/** floor_light.py: signal of a 0.05 floor seen from 0.3 m, so far ahead, against that of a 0.8 wall at 1 m. */
export const DARK_FLOOR_RATIO = [
  [0.3, 0.24552],
  [0.5, 0.09458],
  [1, 0.01648],
  [1.5, 0.00524],
  [2, 0.00227],
] as const;

/** floor_light.py: signal of a 0.4 floor 0.65 m ahead against the gate of that sensor. */
export const EDGE_SIGNAL = 6.54;
/** floor_light.py: spread of a 60 MHz range, metres, at amplitude 200 of a mean of 400 electrons: c / (4 pi f) sqrt(B / 2) / A. */
export const RANGE_SPREAD = 0.028115;
/** floor_light.py: range that a pixel half at 0.5 m and half at 2.5 m reads at 60 MHz, metres. */
export const MIXED_RANGE = 0.485085;

/** trajectory_errors.py: errors after alignment of a zigzag of 0.1 m (and the turn found), and of a run that drifts. */
export const TRAJECTORY_ERRORS = { zigzag: 0.089447188, zigzagYaw: 0.039978687, drift: 0.073853 };
