/** A closed area in a setting: its name, and the text of its corners. */
export interface WrittenArea {
  readonly name: string;
  readonly corners: string;
}

/** Splits the setting `guard.keepOut`, "name: x,y x,y x,y; name: ...", into areas. Unnamed areas are called "area 1", "area 2". */
export const splitAreas = (text: string): readonly WrittenArea[] =>
  text
    .split(";")
    .filter((part) => part.trim() !== "")
    .map((part, n) => {
      const colon = part.lastIndexOf(":");
      return {
        name: part.slice(0, Math.max(0, colon)).trim() || `area ${n + 1}`,
        corners: part.slice(colon + 1),
      };
    });

/** The text of areas for the setting: the inverse of `splitAreas`. */
export const joinAreas = (areas: readonly WrittenArea[]): string =>
  areas.map(({ name, corners }) => `${name}: ${corners.trim()}`).join("; ");
