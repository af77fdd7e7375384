import { decodeImage } from "../coding/depth-codec.ts";
import type { MsgpackReader } from "../coding/msgpack.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import {
  type DepthEvent,
  type HeadEvent,
  type InertialEvent,
  MOST_SHED,
  type MotionEvent,
  type ReferenceEvent,
  type Setup,
  WAIVER_DIRECTIONS,
  type WaiverEvent,
} from "../sense/events.ts";
import { EventFields, need, quat, readPose, readTime, requireCount, vec3 } from "./event-fields.ts";
import { EVENT_KINDS } from "./format.ts";

/** Buffers for decoded images: one pair, reused by every depth record, so that reading allocates nothing per frame. */
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

/** Kind and time of a record, without its contents: enough for an index. `kind` may be unknown here. */
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
  return { kind, time: readTime(reader) };
}

/** The source of an event's record. */
export interface EventSource {
  /** At the start of the record's payload. */
  readonly reader: MsgpackReader;
  /** What `reader` reads from, and the offset of its first byte in the file. */
  readonly bytes: Uint8Array;
  readonly base: number;
  readonly setup: Setup;
  /** Images go here and stay valid until the next call with the same buffers. */
  readonly images: ImageBuffers;
}

/**
 * Reads one record's payload.
 * Returns the record's kind, as text, if it isn't an event (index, end, or one that a later version added).
 * @throws {DecodeError} if the payload isn't an event that fits the setup
 */
export function decodeEvent(source: EventSource): HeadEvent | string {
  const { reader, setup } = source;
  const count = reader.map("record");
  if (count < 1 || reader.text("field name") !== "kind") reader.fail("record doesn't start with its kind");
  const kind = reader.text("kind") as HeadEvent["kind"];
  if (!EVENT_KINDS.includes(kind)) return kind;
  const fields = new EventFields(reader, count - 1);
  switch (kind) {
    case "depth":
      return readDepth(fields, source);
    case "orientation": {
      let rotation: Quat | undefined;
      for (let key = fields.next(); key !== null; key = fields.next()) {
        if (key === "rotation") rotation = quat(reader, key);
        else fields.skip(key);
      }
      return { kind, time: fields.time, rotation: need(reader, rotation, "rotation") };
    }
    case "inertial":
      return readInertial(fields);
    case "motion":
      return readMotion(fields);
    case "mount": {
      let sensor: number | null | undefined;
      let at: Pose | undefined;
      for (let key = fields.next(); key !== null; key = fields.next()) {
        if (key === "sensor") sensor = reader.nil() ? null : reader.int(key, 0, setup.sensors.length - 1);
        else if (key === "pose") at = readPose(reader, key);
        else fields.skip(key);
      }
      const { time } = fields;
      return { kind, time, sensor: need(reader, sensor, "sensor"), pose: need(reader, at, "pose") };
    }
    case "knock": {
      let point: Vec3 | undefined;
      for (let key = fields.next(); key !== null; key = fields.next()) {
        if (key === "point") point = vec3(reader, key);
        else fields.skip(key);
      }
      return { kind, time: fields.time, point: need(reader, point, "point") };
    }
    case "floorcheck": {
      let point: readonly [number, number] | undefined;
      let alarm: boolean | undefined;
      for (let key = fields.next(); key !== null; key = fields.next()) {
        if (key === "point") {
          requireCount(reader, key, 2);
          point = [reader.number(key), reader.number(key)];
        } else if (key === "alarm") alarm = reader.bool(key);
        else fields.skip(key);
      }
      const { time } = fields;
      return { kind, time, point: need(reader, point, "point"), alarm: need(reader, alarm, "alarm") };
    }
    case "waiver":
      return readWaiver(fields);
    case "shed": {
      let level: number | undefined;
      for (let key = fields.next(); key !== null; key = fields.next()) {
        if (key === "level") level = reader.int(key, 0, MOST_SHED);
        else fields.skip(key);
      }
      return { kind, time: fields.time, level: need(reader, level, "level") };
    }
    case "mark": {
      let text: string | undefined;
      for (let key = fields.next(); key !== null; key = fields.next()) {
        if (key === "text") text = reader.text(key);
        else fields.skip(key);
      }
      return { kind, time: fields.time, text: need(reader, text, "text") };
    }
    case "reference":
      return readReference(fields, setup);
    default:
      return kind satisfies never;
  }
}

function readDepth(fields: EventFields, { bytes, base, setup, images }: EventSource): DepthEvent {
  const { reader } = fields;
  let sensor: number | undefined;
  let sequence: number | undefined;
  let countsStart = -1;
  let countsEnd = -1;
  let amplitudeStart = -1;
  let amplitudeEnd = -1;
  for (let key = fields.next(); key !== null; key = fields.next()) {
    if (key === "sensor") sensor = reader.int(key, 0, setup.sensors.length - 1);
    else if (key === "sequence") sequence = reader.int(key, 0, Number.MAX_SAFE_INTEGER);
    else if (key === "counts") {
      countsStart = reader.bin(key);
      countsEnd = reader.at;
    } else if (key === "amplitude") {
      amplitudeStart = reader.nil() ? 0 : reader.bin(key);
      amplitudeEnd = amplitudeStart === 0 ? 0 : reader.at;
    } else fields.skip(key);
  }
  const { time } = fields;
  const from = need(reader, sensor, "sensor");
  const number = need(reader, sequence, "sequence");
  if (countsStart < 0) reader.fail("record has no counts");
  if (amplitudeStart < 0) reader.fail("record has no amplitude (nil if the sensor gives none)");
  const { width, height } = setup.sensors[from]!.optics;
  const counts = images.counts(width * height);
  decodeImage(counts, bytes, countsStart, countsEnd, base);
  const amplitude = amplitudeEnd === 0 ? null : images.amplitude(width * height);
  if (amplitude) decodeImage(amplitude, bytes, amplitudeStart, amplitudeEnd, base);
  return { kind: "depth", time, sensor: from, sequence: number, counts, amplitude };
}

function readInertial(fields: EventFields): InertialEvent {
  const { reader } = fields;
  let gyro: Vec3 | undefined;
  let accel: Vec3 | undefined;
  let mag: Vec3 | null | undefined;
  for (let key = fields.next(); key !== null; key = fields.next()) {
    if (key === "gyro") gyro = vec3(reader, key);
    else if (key === "accel") accel = vec3(reader, key);
    else if (key === "mag") mag = reader.nil() ? null : vec3(reader, key);
    else fields.skip(key);
  }
  return {
    kind: "inertial",
    time: fields.time,
    gyro: need(reader, gyro, "gyro"),
    accel: need(reader, accel, "accel"),
    mag: need(reader, mag, "mag"),
  };
}

function readMotion(fields: EventFields): MotionEvent {
  const { reader } = fields;
  let place: Vec3 | undefined;
  let speed: Vec3 | null | undefined;
  for (let key = fields.next(); key !== null; key = fields.next()) {
    if (key === "pose") place = vec3(reader, key);
    else if (key === "speed") speed = reader.nil() ? null : vec3(reader, key);
    else fields.skip(key);
  }
  const { time } = fields;
  return { kind: "motion", time, pose: need(reader, place, "pose"), speed: need(reader, speed, "speed") };
}

function readWaiver(fields: EventFields): WaiverEvent {
  const { reader } = fields;
  let direction: string | undefined;
  let seconds: number | undefined;
  let reason: string | undefined;
  for (let key = fields.next(); key !== null; key = fields.next()) {
    if (key === "direction") direction = reader.text(key);
    else if (key === "seconds") seconds = reader.number(key);
    else if (key === "reason") reason = reader.text(key);
    else fields.skip(key);
  }
  const { time } = fields;
  const way = WAIVER_DIRECTIONS.find((one) => one === direction);
  if (way === undefined) return reader.fail(`waiver should be for one of ${WAIVER_DIRECTIONS.join(", ")}`);
  return {
    kind: "waiver",
    time,
    direction: way,
    seconds: need(reader, seconds, "seconds"),
    reason: need(reader, reason, "reason"),
  };
}

function readReference(fields: EventFields, { sensors }: Setup): ReferenceEvent {
  const { reader } = fields;
  let of: string | undefined;
  let sensor: number | undefined;
  let at: Pose | undefined;
  for (let key = fields.next(); key !== null; key = fields.next()) {
    // Of a base it is 0, also where there is no sensor.
    if (key === "sensor") sensor = reader.int(key, 0, Math.max(sensors.length, 1) - 1);
    else if (key === "of") of = reader.text(key);
    else if (key === "pose") at = readPose(reader, key);
    else fields.skip(key);
  }
  const { time } = fields;
  if (of !== "base" && of !== "lens") return reader.fail(`reference should be of "base" or "lens"`);
  const from = need(reader, sensor, "sensor");
  if (of === "lens" && sensors.length === 0) reader.fail("reference of a lens, but there is no sensor");
  return { kind: "reference", time, of, sensor: from, pose: need(reader, at, "pose") };
}
