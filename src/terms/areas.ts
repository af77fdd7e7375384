/** Most corners of an area or zone. */
export const MOST_CORNERS = 100;
/** Slowest and fastest speed of a slow zone, m/s: slower is no pace, and faster no base. */
export const LEAST_ZONE_SPEED = 0.05;
export const MOST_ZONE_SPEED = 10;

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

/** A slow zone in a setting: an area with the text of its speed in m/s; null without one. */
export interface WrittenZone extends WrittenArea {
  readonly speed: string | null;
}

/** The speed at the end of a name, as in "aisle: 0.3 m/s". */
const SPEED = /(?:^|:)\s*([\d.]+)\s*m\/s$/;

/** Splits the setting `guard.slowIn`, "name: 0.3 m/s: x,y x,y x,y; name: ...", into zones. Unnamed zones are called "zone 1", "zone 2". */
export const splitZones = (text: string): readonly WrittenZone[] =>
  splitAreas(text).map(({ name, corners }, n) => {
    const found = SPEED.exec(name);
    if (found === null) return { name, corners, speed: null };
    return { name: name.slice(0, found.index).trim() || `zone ${n + 1}`, corners, speed: found[1]! };
  });

/** Whether the name of an area ends in a speed: it is a slow zone in the wrong setting. */
export const hasSpeed = (name: string): boolean => SPEED.test(name);

/** The text of areas or zones for their setting: the inverse of `splitAreas` and `splitZones`. */
export const joinZones = (zones: readonly WrittenZone[]): string =>
  zones
    .map(({ name, corners, speed }) => `${name}: ${speed === null ? "" : `${speed} m/s: `}${corners.trim()}`)
    .join("; ");
