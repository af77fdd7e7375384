import { Packr } from "msgpackr";
import type { Optics, Pose, Quat, Vec3 } from "../geometry/optics.ts";
import type { HeadEvent, SensorSetup, Setup } from "../sense/events.ts";
import { DecodeError } from "./bytes.ts";
import { crc32c } from "./crc32c.ts";
import { decodeImage, encodeImage, MAX_PIXELS, maxEncodedSize } from "./image-codec.ts";
import { intern, type MsgpackReader, type MsgpackWriter } from "./msgpack.ts";

// One record of a recording, to and from bytes. docs/recording-format.md has the layout for other languages.

export const FORMAT_VERSION = 1;
/** The longest payload a record may have (64 MiB), so that a damaged length never asks for more. */
export const MAX_PAYLOAD = 1 << 26;
/** The longest header payload (4 MiB): unlike an event's it becomes objects, many times its size. */
export const MAX_HEADER = 1 << 22;
/** Sensors in a recording, and pixels along either side of an image. */
export const MAX_SENSORS = 64;
export const MAX_SIDE = 16384;

/** What a recording says about itself before its first event. */
export interface RecordingHeader {
  readonly setup: Setup;
  /** Whatever settings were in force: JSON-like (null, booleans, finite numbers, text, arrays, plain objects). */
  readonly settings: Readonly<Record<string, unknown>>;
  /** Free text: where, who, why. */
  readonly about: string;
  /** Name and version of what wrote it. */
  readonly software: string;
}

/** The kinds of events, in the order that the counts of an index follow. */
export const EVENT_KINDS = [
  "depth",
  "orientation",
  "inertial",
  "motion",
  "mount",
  "knock",
  "floorcheck",
  "mark",
  "reference",
] as const satisfies readonly HeadEvent["kind"][];

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
intern(["mag", "pose", "speed", "point", "alarm", "text", "of", "base", "lens", "position"]);

// Prefix: 8 bytes of magic, version, reserved, CRC. The first byte isn't text and the line ends show a file that
// went through a text-mode copy (after PNG, ISO/IEC 15948, 5.2).
const MAGIC = Uint8Array.of(0x89, 0x42, 0x52, 0x4b, 0x0d, 0x0a, 0x1a, 0x0a);
export const PREFIX_SIZE = 16;

// Record head: sync, payload size, CRC of the payload, CRC of the head. 0xc1 never occurs in MessagePack itself.
const SYNC = Uint8Array.of(0xc1, 0x42, 0x52, 0x4b);
export const SYNC_FIRST = 0xc1;
export const HEAD_SIZE = 16;

const u32 = (bytes: Uint8Array, at: number): number =>
  (bytes[at]! | (bytes[at + 1]! << 8) | (bytes[at + 2]! << 16) | (bytes[at + 3]! << 24)) >>> 0;

/** The recording has a version that this software doesn't know. */
export class VersionError extends DecodeError {}

/** The first bytes of every recording. */
export function encodePrefix(): Uint8Array {
  const prefix = new Uint8Array(PREFIX_SIZE);
  const view = new DataView(prefix.buffer);
  prefix.set(MAGIC);
  view.setUint32(8, FORMAT_VERSION, true);
  view.setUint32(12, crc32c(prefix, 0, 12), true);
  return prefix;
}

/** Whether a recording starts at `bytes[at]`, where `PREFIX_SIZE` bytes are. @throws {VersionError} for another version */
export function isPrefix(bytes: Uint8Array, at: number): boolean {
  for (let i = 0; i < MAGIC.length; i++) if (bytes[at + i] !== MAGIC[i]) return false;
  if (u32(bytes, at + 12) !== crc32c(bytes, at, at + 12)) return false;
  const version = u32(bytes, at + 8);
  if (version !== FORMAT_VERSION) {
    throw new VersionError(
      `recording has format version ${version}, this software reads ${FORMAT_VERSION}`,
      8,
    );
  }
  return true;
}

/** The payload size that a record head at `bytes[at]` (`HEAD_SIZE` bytes) gives, or -1 if it isn't one. */
export function payloadSize(bytes: Uint8Array, at: number): number {
  for (let i = 0; i < SYNC.length; i++) if (bytes[at + i] !== SYNC[i]) return -1;
  const size = u32(bytes, at + 4);
  return size <= MAX_PAYLOAD && u32(bytes, at + 12) === crc32c(bytes, at, at + 12) ? size : -1;
}

/** Whether the payload of `size` bytes after the head at `bytes[at]` is what was written. */
export const isIntact = (bytes: Uint8Array, at: number, size: number): boolean =>
  u32(bytes, at + 8) === crc32c(bytes, at + HEAD_SIZE, at + HEAD_SIZE + size);

/** Starts a record at the beginning of `out`: its payload goes behind the head. */
export function startRecord(out: MsgpackWriter): void {
  out.at = 0;
  out.reserve(HEAD_SIZE);
  out.bytes.set(SYNC);
  out.at = HEAD_SIZE;
}

/** Fills in the head. @throws {RangeError} if the record is too long */
export function finishRecord(out: MsgpackWriter): void {
  const size = out.at - HEAD_SIZE;
  if (size > MAX_PAYLOAD) throw new RangeError(`record of ${size} bytes, the format allows ${MAX_PAYLOAD}`);
  out.u32At(4, size);
  out.u32At(8, crc32c(out.bytes, HEAD_SIZE, out.at));
  out.u32At(12, crc32c(out.bytes, 0, 12));
}

// ---------------------------------------------------------------- header

const packr = new Packr({ useRecords: false, variableMapSize: true });

/** Refuses what msgpackr would write as an extension (undefined, Date, Map, bigint) or silently change. */
function requireJson(value: unknown, path: string, depth = 0): void {
  if (value === null || typeof value === "boolean" || typeof value === "string") return;
  if (typeof value === "number" && Number.isFinite(value)) return;
  // Two levels of a reader's 32 are the header and `settings` itself.
  if (depth > 28) throw new RangeError(`${path} is nested more than 28 deep`);
  if (Array.isArray(value)) {
    for (let i = 0; i < value.length; i++) requireJson(value[i], `${path}[${i}]`, depth + 1);
    return;
  }
  const isPlain =
    typeof value === "object" &&
    [Object.prototype, null].includes(Object.getPrototypeOf(value) as object | null);
  if (!isPlain) {
    throw new RangeError(
      `${path} should be JSON-like (null, boolean, finite number, text, array, plain object)`,
    );
  }
  for (const [key, item] of Object.entries(value)) requireJson(item, `${path}.${key}`, depth + 1);
}

/** Only what the format has, in its order. */
const plainPose = ({ rotation, position }: Pose) => ({ rotation: [...rotation], position: [...position] });

function plainOptics(optics: Optics): Record<string, unknown> {
  const { model, width, height, measures, unit, minRange, maxRange } = optics;
  const common = { model, width, height, measures, unit, minRange, maxRange };
  if (optics.model === "scan") return { ...common, firstAngle: optics.firstAngle, step: optics.step };
  const { fx, fy, cx, cy, distortion } = optics;
  return { ...common, fx, fy, cx, cy, ...(distortion && { distortion: [...distortion] }) };
}

/**
 * Writes the header record.
 * @throws {RangeError} if a reader would refuse it: see `decodeHeader`
 */
export function encodeHeader(out: MsgpackWriter, header: RecordingHeader): void {
  const { setup, settings, about, software } = header;
  requireJson(settings, "settings");
  const plain = {
    kind: "header",
    software,
    about,
    setup: {
      sensors: setup.sensors.map(({ name, optics, mount }) => ({
        name,
        optics: plainOptics(optics),
        mount: { on: mount.on, pose: plainPose(mount.pose) },
      })),
      baseFromHead: plainPose(setup.baseFromHead),
      headFromImu: plainPose(setup.headFromImu),
    },
    settings,
  };
  const check = new Checker((message) => {
    throw new RangeError(message);
  });
  check.header(plain);
  const payload = packr.pack(plain);
  if (payload.length > MAX_HEADER) {
    throw new RangeError(`header of ${payload.length} bytes, the format allows ${MAX_HEADER}`);
  }
  startRecord(out);
  out.encoded(payload);
  finishRecord(out);
}

/** @throws {DecodeError} if the record isn't a header, or says what no head has (sizes, names, numbers) */
export function decodeHeader(reader: MsgpackReader): RecordingHeader {
  const size = reader.left;
  if (size > MAX_HEADER) reader.fail(`header of ${size} bytes, the format allows ${MAX_HEADER}`);
  const value = reader.value("header");
  return new Checker((message) => reader.fail(`${message}, in the header that ends here`)).header(value);
}

type Field =
  | "kind"
  | "software"
  | "about"
  | "setup"
  | "settings"
  | "sensors"
  | "baseFromHead"
  | "headFromImu"
  | "name"
  | "optics"
  | "mount"
  | "on"
  | "pose"
  | "rotation"
  | "position"
  | "model"
  | "width"
  | "height"
  | "fx"
  | "fy"
  | "cx"
  | "cy"
  | "distortion"
  | "firstAngle"
  | "step"
  | "measures"
  | "unit"
  | "minRange"
  | "maxRange";
type Fields = { readonly [name in Field]?: unknown };

/** Turns an unknown value into a header, or says what is wrong with it. */
class Checker {
  readonly #fail: (message: string) => never;
  constructor(fail: (message: string) => never) {
    this.#fail = fail;
  }

  #fields(value: unknown, path: string): Fields {
    if (typeof value !== "object" || value === null || Array.isArray(value)) {
      return this.#fail(`${path} should be a map`);
    }
    return value as Fields;
  }

  #text(value: unknown, path: string): string {
    return typeof value === "string" ? value : this.#fail(`${path} should be text`);
  }

  #oneOf<T extends string>(value: unknown, path: string, names: readonly T[]): T {
    return names.find((name) => name === value) ?? this.#fail(`${path} should be one of ${names.join(", ")}`);
  }

  #finite(value: unknown, path: string): number {
    return typeof value === "number" && Number.isFinite(value)
      ? value
      : this.#fail(`${path} should be a finite number`);
  }

  #positive(value: unknown, path: string): number {
    const number = this.#finite(value, path);
    return number > 0 ? number : this.#fail(`${path} should be more than 0`);
  }

  #side(value: unknown, path: string): number {
    const side = this.#finite(value, path);
    if (!Number.isInteger(side) || side < 1 || side > MAX_SIDE) {
      this.#fail(`${path} should be a whole number from 1 to ${MAX_SIDE}`);
    }
    return side;
  }

  #numbers(value: unknown, path: string, count: number): number[] {
    if (!Array.isArray(value) || value.length !== count)
      return this.#fail(`${path} should be ${count} numbers`);
    return value.map((item, i) => this.#finite(item, `${path}[${i}]`));
  }

  #pose(value: unknown, path: string): Pose {
    const { rotation, position } = this.#fields(value, path);
    return {
      rotation: this.#numbers(rotation, `${path}.rotation`, 4) as unknown as Quat,
      position: this.#numbers(position, `${path}.position`, 3) as unknown as Vec3,
    };
  }

  #optics(value: unknown, path: string): Optics {
    const f = this.#fields(value, path);
    const model = this.#oneOf(f.model, `${path}.model`, ["pinhole", "fisheye", "scan"]);
    const width = this.#side(f.width, `${path}.width`);
    const height = this.#side(f.height, `${path}.height`);
    if (width * height > MAX_PIXELS) {
      this.#fail(`${path} has ${width} x ${height} pixels, the format allows ${MAX_PIXELS}`);
    }
    const scale = {
      measures: this.#oneOf(f.measures, `${path}.measures`, ["z", "range"]),
      unit: this.#positive(f.unit, `${path}.unit`),
      minRange: this.#finite(f.minRange, `${path}.minRange`),
      maxRange: this.#finite(f.maxRange, `${path}.maxRange`),
    };
    if (model === "scan") {
      if (height !== 1) return this.#fail(`${path}.height of a scan should be 1`);
      const firstAngle = this.#finite(f.firstAngle, `${path}.firstAngle`);
      const step = this.#finite(f.step, `${path}.step`);
      return { model, width, height, ...scale, firstAngle, step };
    }
    const lens = {
      width,
      height,
      fx: this.#positive(f.fx, `${path}.fx`),
      fy: this.#positive(f.fy, `${path}.fy`),
      cx: this.#finite(f.cx, `${path}.cx`),
      cy: this.#finite(f.cy, `${path}.cy`),
      ...scale,
    };
    const at = `${path}.distortion`;
    if (model === "fisheye") {
      const distortion = this.#numbers(f.distortion, at, 4) as [number, number, number, number];
      return { model, ...lens, distortion };
    }
    if (f.distortion === undefined) return { model, ...lens };
    const distortion = this.#numbers(f.distortion, at, 5) as [number, number, number, number, number];
    return { model, ...lens, distortion };
  }

  header(value: unknown): RecordingHeader {
    const f = this.#fields(value, "header");
    if (f.kind !== "header") this.#fail(`expected a header record, found ${JSON.stringify(f.kind)}`);
    const setup = this.#fields(f.setup, "setup");
    const list = setup.sensors;
    if (!Array.isArray(list) || list.length > MAX_SENSORS) {
      return this.#fail(`setup.sensors should be a list of at most ${MAX_SENSORS}`);
    }
    const sensors = list.map((item, i): SensorSetup => {
      const path = `setup.sensors[${i}]`;
      const sensor = this.#fields(item, path);
      const mount = this.#fields(sensor.mount, `${path}.mount`);
      return {
        name: this.#text(sensor.name, `${path}.name`),
        optics: this.#optics(sensor.optics, `${path}.optics`),
        mount: {
          on: this.#oneOf(mount.on, `${path}.mount.on`, ["head", "base"]),
          pose: this.#pose(mount.pose, `${path}.mount.pose`),
        },
      };
    });
    return {
      setup: {
        sensors,
        baseFromHead: this.#pose(setup.baseFromHead, "setup.baseFromHead"),
        headFromImu: this.#pose(setup.headFromImu, "setup.headFromImu"),
      },
      settings: this.#fields(f.settings, "settings") as Readonly<Record<string, unknown>>,
      about: this.#text(f.about, "about"),
      software: this.#text(f.software, "software"),
    };
  }
}

// ---------------------------------------------------------------- events

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
