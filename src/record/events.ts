import { decodeImage, encodeImage, maxEncodedSize } from "../coding/depth-codec.ts";
import { intern, type MsgpackReader, type MsgpackWriter } from "../coding/msgpack.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { type HeadEvent, MOST_SHED, type Setup, WAIVER_DIRECTIONS } from "../sense/events.ts";
import { EVENT_KINDS, finishRecord, startRecord } from "./format.ts";

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

const isWhole = (value: number, low: number): boolean => Number.isSafeInteger(value) && value >= low;

function requireSensor(sensor: number, setup: Setup, kind: string): void {
  if (!isWhole(sensor, 0) || sensor >= setup.sensors.length) {
    throw new RangeError(`${kind} event of sensor ${sensor}, the setup has ${setup.sensors.length} sensors`);
  }
}

function putFloats(out: MsgpackWriter, name: string, values: readonly number[] | null): void {
  out.name(name);
  if (values === null) {
    out.nil();
    return;
  }
  out.array(values.length);
  for (const value of values) out.float(value);
}

function putPose(out: MsgpackWriter, pose: Pose): void {
  out.name("pose");
  out.map(2);
  putFloats(out, "rotation", pose.rotation);
  putFloats(out, "position", pose.position);
}

function putImage(out: MsgpackWriter, name: string, image: Uint16Array | null): void {
  out.name(name);
  if (image === null) {
    out.nil();
    return;
  }
  const start = out.startBin(maxEncodedSize(image.length));
  out.endBin(start, encodeImage(out.bytes, start, image));
}

function start(out: MsgpackWriter, event: HeadEvent, fields: number): void {
  startRecord(out);
  out.map(2 + fields);
  out.name("kind");
  out.name(event.kind);
  out.name("time");
  out.int(event.time);
}

/**
 * Writes one whole record at the beginning of `out`. Floats are kept bit for bit, NaN and infinities included.
 * @throws {RangeError} if the event doesn't fit `setup` (sensor, image size) or a time or sequence isn't whole
 */
export function encodeEvent(out: MsgpackWriter, event: HeadEvent, setup: Setup): void {
  if (!Number.isSafeInteger(event.time)) {
    throw new RangeError(`${event.kind} event at ${event.time}: time should be whole microseconds`);
  }
  switch (event.kind) {
    case "depth": {
      requireSensor(event.sensor, setup, event.kind);
      const { name, optics } = setup.sensors[event.sensor]!;
      const pixels = optics.width * optics.height;
      if (!isWhole(event.sequence, 0)) throw new RangeError(`depth event has sequence ${event.sequence}`);
      if (event.counts.length !== pixels || (event.amplitude?.length ?? pixels) !== pixels) {
        throw new RangeError(
          `depth event of "${name}" should have ${optics.width} x ${optics.height} pixels, has ` +
            `${event.counts.length} counts and ${event.amplitude?.length ?? "no"} amplitudes`,
        );
      }
      start(out, event, 4);
      out.name("sensor");
      out.int(event.sensor);
      out.name("sequence");
      out.int(event.sequence);
      putImage(out, "counts", event.counts);
      putImage(out, "amplitude", event.amplitude);
      break;
    }
    case "orientation":
      start(out, event, 1);
      putFloats(out, "rotation", event.rotation);
      break;
    case "inertial":
      start(out, event, 3);
      putFloats(out, "gyro", event.gyro);
      putFloats(out, "accel", event.accel);
      putFloats(out, "mag", event.mag);
      break;
    case "motion":
      start(out, event, 2);
      putFloats(out, "pose", event.pose);
      putFloats(out, "speed", event.speed);
      break;
    case "mount":
      if (event.sensor !== null) requireSensor(event.sensor, setup, event.kind);
      start(out, event, 2);
      out.name("sensor");
      if (event.sensor === null) out.nil();
      else out.int(event.sensor);
      putPose(out, event.pose);
      break;
    case "knock":
      start(out, event, 1);
      putFloats(out, "point", event.point);
      break;
    case "floorcheck":
      start(out, event, 2);
      putFloats(out, "point", event.point);
      out.name("alarm");
      out.bool(event.alarm);
      break;
    case "waiver":
      if (!WAIVER_DIRECTIONS.includes(event.direction)) {
        throw new RangeError(
          `waiver for ${JSON.stringify(event.direction)}: ${WAIVER_DIRECTIONS.join(", ")}`,
        );
      }
      start(out, event, 3);
      out.name("direction");
      out.name(event.direction);
      out.name("seconds");
      out.float(event.seconds);
      out.name("reason");
      out.text(event.reason);
      break;
    case "shed":
      if (!isWhole(event.level, 0) || event.level > MOST_SHED) {
        throw new RangeError(
          `shed event of level ${event.level}; whole numbers from 0 to ${MOST_SHED} are allowed`,
        );
      }
      start(out, event, 1);
      out.name("level");
      out.int(event.level);
      break;
    case "mark":
      start(out, event, 1);
      out.name("text");
      out.text(event.text);
      break;
    case "reference":
      if (event.of === "lens" || event.sensor !== 0) requireSensor(event.sensor, setup, event.kind);
      start(out, event, 3);
      out.name("of");
      out.name(event.of);
      out.name("sensor");
      out.int(event.sensor);
      putPose(out, event.pose);
      break;
    default:
      event satisfies never;
  }
  finishRecord(out);
}

/** Where decoded images go: one pair, reused by every depth record, so that reading takes no memory per frame. */
export class ImageBuffers {
  #counts = new Uint16Array(0);
  #amplitude = new Uint16Array(0);

  counts(pixels: number): Uint16Array {
    if (this.#counts.length !== pixels) this.#counts = sized(this.#counts, pixels);
    return this.#counts;
  }

  amplitude(pixels: number): Uint16Array {
    if (this.#amplitude.length !== pixels) this.#amplitude = sized(this.#amplitude, pixels);
    return this.#amplitude;
  }
}

function sized(image: Uint16Array<ArrayBuffer>, pixels: number): Uint16Array<ArrayBuffer> {
  const fits = image.buffer.byteLength >= 2 * pixels;
  return new Uint16Array(fits ? image.buffer : new ArrayBuffer(2 * pixels), 0, pixels);
}

function requireCount(reader: MsgpackReader, field: string, count: number): void {
  const found = reader.array(field);
  if (found !== count) reader.fail(`${field} should have ${count} numbers, has ${found}`);
}

function vec3(reader: MsgpackReader, field: string): Vec3 {
  requireCount(reader, field, 3);
  return [reader.number(field), reader.number(field), reader.number(field)];
}

function quat(reader: MsgpackReader, field: string): Quat {
  requireCount(reader, field, 4);
  return [reader.number(field), reader.number(field), reader.number(field), reader.number(field)];
}

function pose(reader: MsgpackReader, field: string): Pose {
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

function need<T>(reader: MsgpackReader, value: T | undefined, field: string): T {
  return value === undefined ? reader.fail(`record has no ${field}`) : value;
}

/** What a record is, and when, without its contents: enough for an index. `kind` may be one not known here. */
export interface RecordLabel {
  readonly kind: string;
  /** NaN for records that aren't events. */
  readonly time: number;
}

/** @throws {DecodeError} if the payload doesn't start as every record does */
export function decodeLabel(reader: MsgpackReader): RecordLabel {
  const fields = reader.map("record");
  if (fields < 1 || reader.text("field name") !== "kind") reader.fail("record doesn't start with its kind");
  const kind = reader.text("kind");
  if (!(EVENT_KINDS as readonly string[]).includes(kind)) return { kind, time: Number.NaN };
  if (fields < 2 || reader.text("field name") !== "time")
    reader.fail(`${kind} record has no time behind its kind`);
  return { kind, time: time(reader) };
}

const time = (reader: MsgpackReader): number =>
  reader.int("time", Number.MIN_SAFE_INTEGER, Number.MAX_SAFE_INTEGER);

/**
 * Reads one record's payload. Images go to `images` and stay valid until the next call with the same buffers.
 * Returns the record's kind, as text, if it isn't an event (index, end, or one that a later version added).
 * @param bytes what `reader` reads from, `base` the offset of its first byte in the file
 * @throws {DecodeError} if the payload isn't an event that fits `setup`
 */
export function decodeEvent(
  reader: MsgpackReader,
  bytes: Uint8Array,
  base: number,
  setup: Setup,
  images: ImageBuffers,
): HeadEvent | string {
  let left = reader.map("record");
  if (left < 1 || reader.text("field name") !== "kind") reader.fail("record doesn't start with its kind");
  left--;
  const kind = reader.text("kind") as HeadEvent["kind"];
  if (!EVENT_KINDS.includes(kind)) return kind;

  let when: number | undefined;
  let sensor: number | null | undefined;
  let sequence: number | undefined;
  let countsStart = -1;
  let countsEnd = -1;
  let amplitudeStart = -1;
  let amplitudeEnd = -1;
  let rotation: Quat | undefined;
  let gyro: Vec3 | undefined;
  let accel: Vec3 | undefined;
  let optional: Vec3 | null | undefined; // mag or speed
  let vector: Vec3 | undefined; // a knock's point or a motion's pose
  let place: readonly [number, number] | undefined;
  let at: Pose | undefined;
  let alarm: boolean | undefined;
  let text: string | undefined;
  let direction: string | undefined;
  let seconds: number | undefined;
  let level: number | undefined;
  for (; left > 0; left--) {
    const key = reader.text("field name");
    if (key === "time") when = time(reader);
    else if (key === "sensor" && (kind === "depth" || kind === "mount" || kind === "reference")) {
      const free = kind === "reference" ? 1 : 0; // of a base: 0, also where there is no sensor
      const most = Math.max(setup.sensors.length, free) - 1;
      sensor = kind === "mount" && reader.nil() ? null : reader.int(key, 0, most);
    } else if (key === "sequence" && kind === "depth") sequence = reader.int(key, 0, Number.MAX_SAFE_INTEGER);
    else if (key === "counts" && kind === "depth") {
      countsStart = reader.bin(key);
      countsEnd = reader.at;
    } else if (key === "amplitude" && kind === "depth") {
      amplitudeStart = reader.nil() ? 0 : reader.bin(key);
      amplitudeEnd = amplitudeStart === 0 ? 0 : reader.at;
    } else if (key === "rotation" && kind === "orientation") rotation = quat(reader, key);
    else if (key === "gyro" && kind === "inertial") gyro = vec3(reader, key);
    else if (key === "accel" && kind === "inertial") accel = vec3(reader, key);
    else if ((key === "mag" && kind === "inertial") || (key === "speed" && kind === "motion")) {
      optional = reader.nil() ? null : vec3(reader, key);
    } else if (key === "pose" && kind === "motion") vector = vec3(reader, key);
    else if (key === "pose" && (kind === "mount" || kind === "reference")) at = pose(reader, key);
    else if (key === "point" && kind === "knock") vector = vec3(reader, key);
    else if (key === "point" && kind === "floorcheck") {
      requireCount(reader, key, 2);
      place = [reader.number(key), reader.number(key)];
    } else if (key === "alarm" && kind === "floorcheck") alarm = reader.bool(key);
    else if (key === "direction" && kind === "waiver") direction = reader.text(key);
    else if (key === "seconds" && kind === "waiver") seconds = reader.number(key);
    else if (key === "reason" && kind === "waiver") text = reader.text(key);
    else if (key === "level" && kind === "shed") level = reader.int(key, 0, MOST_SHED);
    else if (key === "text" && kind === "mark") text = reader.text(key);
    else if (key === "of" && kind === "reference") text = reader.text(key);
    else reader.skip(key); // a later version may add fields
  }
  const stamp = need(reader, when, "time");
  switch (kind) {
    case "depth": {
      const from = need(reader, sensor, "sensor")!;
      const number = need(reader, sequence, "sequence");
      if (countsStart < 0) reader.fail("record has no counts");
      if (amplitudeStart < 0) reader.fail("record has no amplitude (nil if the sensor gives none)");
      const { width, height } = setup.sensors[from]!.optics;
      const counts = images.counts(width * height);
      decodeImage(counts, bytes, countsStart, countsEnd, base);
      const amplitude = amplitudeEnd === 0 ? null : images.amplitude(width * height);
      if (amplitude) decodeImage(amplitude, bytes, amplitudeStart, amplitudeEnd, base);
      return { kind, time: stamp, sensor: from, sequence: number, counts, amplitude };
    }
    case "orientation":
      return { kind, time: stamp, rotation: need(reader, rotation, "rotation") };
    case "inertial": {
      const mag = need(reader, optional, "mag");
      return {
        kind,
        time: stamp,
        gyro: need(reader, gyro, "gyro"),
        accel: need(reader, accel, "accel"),
        mag,
      };
    }
    case "motion":
      return {
        kind,
        time: stamp,
        pose: need(reader, vector, "pose"),
        speed: need(reader, optional, "speed"),
      };
    case "mount":
      return { kind, time: stamp, sensor: need(reader, sensor, "sensor"), pose: need(reader, at, "pose") };
    case "knock":
      return { kind, time: stamp, point: need(reader, vector, "point") };
    case "floorcheck":
      return { kind, time: stamp, point: need(reader, place, "point"), alarm: need(reader, alarm, "alarm") };
    case "waiver": {
      const way = WAIVER_DIRECTIONS.find((one) => one === direction);
      if (way === undefined)
        return reader.fail(`waiver should be for one of ${WAIVER_DIRECTIONS.join(", ")}`);
      const length = need(reader, seconds, "seconds");
      return { kind, time: stamp, direction: way, seconds: length, reason: need(reader, text, "reason") };
    }
    case "shed":
      return { kind, time: stamp, level: need(reader, level, "level") };
    case "mark":
      return { kind, time: stamp, text: need(reader, text, "text") };
    case "reference": {
      const of = text;
      if (of !== "base" && of !== "lens") return reader.fail(`reference should be of "base" or "lens"`);
      const from = need(reader, sensor, "sensor")!;
      if (of === "lens" && setup.sensors.length === 0)
        reader.fail("reference of a lens, but there is no sensor");
      return { kind, time: stamp, of, sensor: from, pose: need(reader, at, "pose") };
    }
    default:
      return kind satisfies never;
  }
}
