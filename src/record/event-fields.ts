import { intern, type MsgpackReader } from "../coding/msgpack.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { WAIVER_DIRECTIONS } from "../sense/events.ts";
import { EVENT_KINDS } from "./format.ts";

// What event records are made of: names that are the same string objects whenever they are written or read, and values.

intern([
  ...EVENT_KINDS,
  "kind",
  "time",
  "sensor",
  "sequence",
  "counts",
  "amplitude",
  "rotation",
  "gyro",
  "accel",
]);
intern([...WAIVER_DIRECTIONS, "direction", "seconds", "reason", "level"]);
intern(["mag", "pose", "speed", "point", "alarm", "text", "of", "base", "lens", "position"]);

export function requireCount(reader: MsgpackReader, field: string, count: number): void {
  const found = reader.array(field);
  if (found !== count) reader.fail(`${field} should have ${count} numbers, has ${found}`);
}

export function vec3(reader: MsgpackReader, field: string): Vec3 {
  requireCount(reader, field, 3);
  return [reader.number(field), reader.number(field), reader.number(field)];
}

export function quat(reader: MsgpackReader, field: string): Quat {
  requireCount(reader, field, 4);
  return [reader.number(field), reader.number(field), reader.number(field), reader.number(field)];
}

export function readPose(reader: MsgpackReader, field: string): Pose {
  let rotation: Quat | undefined;
  let position: Vec3 | undefined;
  for (let left = reader.map(field); left > 0; left--) {
    const key = reader.text("field name");
    if (key === "rotation") rotation = quat(reader, key);
    else if (key === "position") position = vec3(reader, key);
    else reader.skip(key);
  }
  return { rotation: need(reader, rotation, "rotation"), position: need(reader, position, "position") };
}

/** A field that each event of its kind has. @throws {DecodeError} when the record lacks it */
export function need<T>(reader: MsgpackReader, value: T | undefined, field: string): T {
  return value === undefined ? reader.fail(`record has no ${field}`) : value;
}

/** An event's time, microseconds. */
export const readTime = (reader: MsgpackReader): number =>
  reader.int("time", Number.MIN_SAFE_INTEGER, Number.MAX_SAFE_INTEGER);

/** Goes through the fields of one event record, behind its kind. The time, which every event has, it keeps itself. */
export class EventFields {
  readonly reader: MsgpackReader;
  #left: number;
  #time: number | undefined;

  /** @param left fields that the record has behind its kind */
  constructor(reader: MsgpackReader, left: number) {
    this.reader = reader;
    this.#left = left;
  }

  /** The name of the next field, whose value is then to be read or skipped; null behind the last. */
  next(): string | null {
    while (this.#left > 0) {
      this.#left--;
      const key = this.reader.text("field name");
      if (key !== "time") return key;
      this.#time = readTime(this.reader);
    }
    return null;
  }

  /** Skips the value of a field that this version does not know: a later one may add some. */
  skip(key: string): void {
    this.reader.skip(key);
  }

  /** The event's time. @throws {DecodeError} when the record has none */
  get time(): number {
    return need(this.reader, this.#time, "time");
  }
}
