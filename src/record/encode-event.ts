import { encodeImage, maxEncodedSize } from "../coding/depth-codec.ts";
import type { MsgpackWriter } from "../coding/msgpack.ts";
import type { Pose } from "../geometry/optics.ts";
import {
  type DepthEvent,
  type HeadEvent,
  MOST_SHED,
  type MountEvent,
  type ReferenceEvent,
  type Setup,
  type ShedEvent,
  WAIVER_DIRECTIONS,
  type WaiverEvent,
} from "../sense/events.ts";
import "./event-fields.ts"; // interns the names of fields, which `out.name` asks for
import { finishRecord, startRecord } from "./format.ts";

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
    case "depth":
      putDepth(out, event, setup);
      break;
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
      putMount(out, event, setup);
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
      putWaiver(out, event);
      break;
    case "shed":
      putShed(out, event);
      break;
    case "mark":
      start(out, event, 1);
      out.name("text");
      out.text(event.text);
      break;
    case "reference":
      putReference(out, event, setup);
      break;
    default:
      event satisfies never;
  }
  finishRecord(out);
}

function putDepth(out: MsgpackWriter, event: DepthEvent, setup: Setup): void {
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
}

function putMount(out: MsgpackWriter, event: MountEvent, setup: Setup): void {
  if (event.sensor !== null) requireSensor(event.sensor, setup, event.kind);
  start(out, event, 2);
  out.name("sensor");
  if (event.sensor === null) out.nil();
  else out.int(event.sensor);
  putPose(out, event.pose);
}

function putWaiver(out: MsgpackWriter, event: WaiverEvent): void {
  if (!WAIVER_DIRECTIONS.includes(event.direction)) {
    throw new RangeError(`waiver for ${JSON.stringify(event.direction)}: ${WAIVER_DIRECTIONS.join(", ")}`);
  }
  start(out, event, 3);
  out.name("direction");
  out.name(event.direction);
  out.name("seconds");
  out.float(event.seconds);
  out.name("reason");
  out.text(event.reason);
}

function putShed(out: MsgpackWriter, event: ShedEvent): void {
  if (!isWhole(event.level, 0) || event.level > MOST_SHED) {
    throw new RangeError(
      `shed event of level ${event.level}; whole numbers from 0 to ${MOST_SHED} are allowed`,
    );
  }
  start(out, event, 1);
  out.name("level");
  out.int(event.level);
}

function putReference(out: MsgpackWriter, event: ReferenceEvent, setup: Setup): void {
  if (event.of === "lens" || event.sensor !== 0) requireSensor(event.sensor, setup, event.kind);
  start(out, event, 3);
  out.name("of");
  out.name(event.of);
  out.name("sensor");
  out.int(event.sensor);
  putPose(out, event.pose);
}
