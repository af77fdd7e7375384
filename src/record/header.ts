import { Packr } from "msgpackr";
import { MAX_PIXELS } from "../coding/depth-codec.ts";
import type { MsgpackReader, MsgpackWriter } from "../coding/msgpack.ts";
import type { Optics, Pose, Quat, Vec3 } from "../geometry/optics.ts";
import type { SensorSetup } from "../sense/events.ts";
import {
  finishRecord,
  MAX_HEADER,
  MAX_SENSORS,
  MAX_SIDE,
  type RecordingHeader,
  startRecord,
} from "./format.ts";

const packr = new Packr({ useRecords: false, variableMapSize: true });

/** Refuses values that msgpackr would write as an extension (undefined, Date, Map, bigint) or change silently. */
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

/** @throws {DecodeError} if the record isn't a header, or has impossible values (sizes, names, numbers) */
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

/** Converts an unknown value to a header, or throws with what is wrong. */
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
