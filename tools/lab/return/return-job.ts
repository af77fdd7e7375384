import { resolveSettings } from "../../../src/head/settings.ts";
import { floorSettings } from "../../../src/head/stage-settings.ts";
import { decodePlace, encodePlace, KEYFRAME_BYTES } from "../../../src/place/place-file.ts";
import { ScenarioError } from "../../../src/simulate/fields.ts";
import { Dice } from "../../../src/simulate/home/dice.ts";
import { generateHome, type Home } from "../../../src/simulate/home.ts";
import { ahead, errorOf, lookAround, type Run, run } from "../../../tests/helpers/known-place.ts";

/** Random stream of the restarts. */
const STREAM = 61;
/** Metres: a start farther than this from every point of the first drive is in a part of the home that was perhaps never seen. */
const ELSEWHERE = 1.5;
/** Share of the furniture that is moved, and how far, metres. The base needs this much room. */
const MOVED_SHARE = 0.2;
const MOVED_BY = [0.3, 1] as const;
const ROOM = 0.9;
/** Metres between a known spot and the point of the first drive that it is near. */
const BESIDE = 0.15;

export interface ReturnJob {
  readonly home: number;
  /** Restarts at known spots, every third with moved furniture; and elsewhere. */
  readonly known: number;
  readonly elsewhere: number;
}

/** One restart. */
export interface ReturnRow {
  readonly home: number;
  readonly where: "known" | "moved" | "elsewhere";
  /** Seconds until the place was found; null when it was not. */
  readonly found: number | null;
  /** Largest error from then on: metres, radians. */
  readonly off: number;
  readonly yaw: number;
  /** Bytes of the saved place, and metres of the first drive. */
  readonly bytes: number;
}

type Shape = Readonly<Record<string, unknown>>;
type Spot = readonly [number, number];

const apart = (a: Spot, b: Spot): number => Math.hypot(a[0] - b[0], a[1] - b[1]);

/** The home with some of its furniture moved, away from where the base stands. */
function rearranged(home: Home, spot: Spot, dice: Dice): Readonly<Record<string, unknown>> {
  const scene = (home.json["scene"] as readonly Shape[]).map((shape) => {
    if (shape["shape"] !== "kit" || !dice.chance(MOVED_SHARE)) return shape;
    const [x, y] = shape["at"] as Spot;
    const angle = dice.between(-Math.PI, Math.PI);
    const by = dice.between(...MOVED_BY);
    const at: Spot = [x + by * Math.cos(angle), y + by * Math.sin(angle)];
    return apart(at, spot) < ROOM ? shape : { ...shape, at, yaw: dice.between(-180, 180) };
  });
  return { ...home.json, scene };
}

/** Null where the base cannot stand or turn: beside a drop, or in moved furniture. */
function tryRun(go: () => Run): Run | null {
  try {
    return go();
  } catch (error) {
    if (error instanceof ScenarioError) return null;
    throw error;
  }
}

/** In a worker: a drive that looks around at each of its points; then restarts that look around once. */
export function runJob({ home: seed, known, elsewhere }: ReturnJob): ReturnRow[] {
  const home = generateHome(seed);
  const dice = new Dice(seed, STREAM);
  const points = (home.json["drive"] as { points: { at: Spot }[] }).points.map(({ at }) => at);
  const first = tryRun(() =>
    run(home.json, [...points.map((at) => lookAround(at)), ahead(points.at(-1)!, 0)]),
  );
  const memory = first?.head.memory(KEYFRAME_BYTES) ?? null;
  if (first === null || memory === null) return [];
  const bytes = encodePlace(memory);
  const far = home.starts
    .map(({ x, y }): Spot => [x, y])
    .filter((start) => points.every((point) => apart(start, point) > ELSEWHERE));
  const rows: ReturnRow[] = [];
  for (let n = 0; n < known + (far.length > 0 ? elsewhere : 0); n++) {
    const where = n >= known ? "elsewhere" : n % 3 === 2 ? "moved" : "known";
    const near = dice.pick(points);
    const angle = dice.between(-Math.PI, Math.PI);
    const spot: Spot =
      where === "elsewhere"
        ? dice.pick(far)
        : [near[0] + BESIDE * Math.cos(angle), near[1] + BESIDE * Math.sin(angle)];
    const heading = dice.between(0, 360);
    const json = where === "moved" ? rearranged(home, spot, dice) : home.json;
    const place = decodePlace(bytes, floorSettings(resolveSettings()));
    const again = tryRun(() =>
      run(json, [lookAround(spot, heading), ahead(spot, heading)], place, seed + 1000 * (n + 1)),
    );
    if (again === null) continue;
    const found = again.notes.find(({ what }) => what === "place found")?.time ?? null;
    const errors = again.frames
      .filter(({ time }) => found !== null && time > found)
      .map((frame) => errorOf(frame, first));
    const off = Math.max(0, ...errors.map((error) => error.off));
    const yaw = Math.max(0, ...errors.map((error) => error.yaw));
    rows.push({ home: seed, where, found, off, yaw, bytes: bytes.length });
  }
  return rows;
}
