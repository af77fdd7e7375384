/** Ways of looking at the map: from above without perspective, around it, behind the robot. */
export const VIEWS = ["plan", "orbit", "ride"] as const;
export type View = (typeof VIEWS)[number];
