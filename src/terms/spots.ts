/** A place of the map with a name, and the heading of a base that stands on it. */
export interface Spot {
  readonly name: string;
  /** Metres of the world. */
  readonly x: number;
  readonly y: number;
  /** Radians, counter-clockwise from x; null: any. */
  readonly heading: number | null;
}

const MOST_SPOTS = 100;
const DEGREE = Math.PI / 180;
const EXAMPLE = "charger: 0.4,-1.2,90; kiln: 2.5,1";

/**
 * Reads spots as settings hold them: "name: x,y,heading; name: x,y", metres of the map, and degrees counter-clockwise from x. Empty text is no spot.
 * @throws {RangeError} saying which spot is wrong, and what to write
 */
export function parseSpots(text: string): readonly Spot[] {
  const parts = text.split(";").filter((part) => part.trim() !== "");
  if (parts.length > MOST_SPOTS) throw new RangeError(`${parts.length} spots; at most ${MOST_SPOTS}`);
  const spots = parts.map((part): Spot => {
    const colon = part.lastIndexOf(":");
    const name = part.slice(0, Math.max(0, colon)).trim();
    if (name === "") throw new RangeError(`"${part.trim()}" has no name: write spots like "${EXAMPLE}"`);
    const numbers = part
      .slice(colon + 1)
      .split(",")
      .map((one) => (one.trim() === "" ? Number.NaN : Number(one)));
    if (numbers.length < 2 || numbers.length > 3 || !numbers.every(Number.isFinite)) {
      throw new RangeError(`"${name}" is not at x,y or x,y,heading: write spots like "${EXAMPLE}"`);
    }
    const [x = 0, y = 0, degrees] = numbers;
    return { name, x, y, heading: degrees === undefined ? null : wrapped(degrees) * DEGREE };
  });
  const twice = spots.find(({ name }, n) => spots.findIndex((other) => other.name === name) < n);
  if (twice !== undefined)
    throw new RangeError(`two spots are called "${twice.name}": a goal needs one of them`);
  return spots;
}

/** To -180 to 180 degrees. */
const wrapped = (degrees: number): number => degrees - 360 * Math.round(degrees / 360);

/** The text of spots for the setting: the inverse of `parseSpots`, in whole degrees. */
export const joinSpots = (spots: readonly Spot[]): string =>
  spots
    .map(({ name, x, y, heading }) => {
      const degrees = heading === null ? "" : `,${Math.round(heading / DEGREE)}`;
      return `${name}: ${x},${y}${degrees}`;
    })
    .join("; ");
