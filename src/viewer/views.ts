/** Views of the map: orthographic from above, orbiting, behind the robot. */
export const VIEWS = ["plan", "orbit", "ride"] as const;
export type View = (typeof VIEWS)[number];
