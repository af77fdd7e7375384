import type { ByteSink } from "../../src/record/byte-sink.ts";
import type { RecordingHeader } from "../../src/record/format.ts";
import { type Damage, type ReadOptions, RecordingReader } from "../../src/record/reader.ts";
import { RecordingWriter } from "../../src/record/writer.ts";
import type { HeadEvent, Setup } from "../../src/sense/events.ts";

/** A seeded source of numbers in [0, 1): Marsaglia's xorshift32. */
export function seeded(seed: number): () => number {
  let state = seed | 0 || 1;
  return () => {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    return (state >>> 0) / 2 ** 32;
  };
}

const STILL = { rotation: [0, 0, 0, 1], position: [0, 0, 0] } as const;

/** A depth camera of `width` x `height` on the head and a 16-beam laser on the base. */
export function smallSetup(width = 32, height = 24): Setup {
  return {
    sensors: [
      {
        name: "front",
        optics: {
          model: "pinhole",
          width,
          height,
          fx: width,
          fy: width,
          cx: (width - 1) / 2,
          cy: (height - 1) / 2,
          measures: "z",
          unit: 0.001,
          minRange: 0.1,
          maxRange: 6,
          distortion: [0.1, -0.05, 0.001, -0.002, 0],
        },
        mount: { on: "head", pose: { rotation: [0.5, -0.5, 0.5, -0.5], position: [0.02, 0, 0.01] } },
      },
      {
        name: "laser",
        optics: {
          model: "scan",
          width: 16,
          height: 1,
          measures: "range",
          unit: 0.001,
          minRange: 0.05,
          maxRange: 8,
          firstAngle: -1,
          step: 0.125,
        },
        mount: { on: "base", pose: { rotation: [0.5, -0.5, 0.5, -0.5], position: [0.1, 0, 0.2] } },
      },
    ],
    baseFromHead: { rotation: [0, 0, 0, 1], position: [0.12, 0, 0.31] },
    headFromImu: STILL,
  };
}

export function smallHeader(setup: Setup = smallSetup()): RecordingHeader {
  return {
    setup,
    settings: { cell: 0.05, guard: { margin: 0.1, on: true }, list: [1, "two", null, -3.5] },
    about: "Töpferstudio, first round",
    software: "brinkmap 0.1.0",
  };
}

/** Counts of a depth camera over a slanted floor with noise, a step, and a hole without returns. */
export function fakeImage(pixels: number, random: () => number, base = 900): Uint16Array {
  const image = new Uint16Array(pixels);
  const hole = Math.floor(random() * pixels);
  for (let i = 0; i < pixels; i++) {
    const step = i > pixels / 2 ? 400 : 0;
    if (Math.abs(i - hole) > pixels / 20) image[i] = base + i / 8 + step + (random() - 0.5) * 12;
  }
  return image;
}

/** `count` events, all kinds in turn; the same seed gives the same events. */
export function fakeEvents(count: number, seed: number, setup: Setup = smallSetup()): HeadEvent[] {
  const random = seeded(seed);
  const some = () => (random() - 0.5) * 4;
  const vec3 = () => [some(), some(), some()] as const;
  const pose = () => ({ rotation: [some(), some(), some(), some()], position: vec3() }) as const;
  const make = (i: number): HeadEvent => {
    const time = 5_000_000_000 + i * 10_000 - Math.floor(random() * 30_000);
    switch (i % 10) {
      case 0: {
        const { width, height } = setup.sensors[0]!.optics;
        const amplitude = i % 20 === 0 ? fakeImage(width * height, random, 200) : null;
        const counts = fakeImage(width * height, random);
        return { kind: "depth", time, sensor: 0, sequence: i / 10, counts, amplitude };
      }
      case 1:
        return { kind: "orientation", time, rotation: [some(), some(), some(), some()] };
      case 2:
        return { kind: "inertial", time, gyro: vec3(), accel: vec3(), mag: i % 20 === 2 ? vec3() : null };
      case 3:
        return { kind: "motion", time, pose: vec3(), speed: i % 20 === 3 ? vec3() : null };
      case 4:
        return { kind: "mount", time, sensor: i % 20 === 4 ? 1 : null, pose: pose() };
      case 5:
        return { kind: "knock", time, point: vec3() };
      case 6:
        return { kind: "floorcheck", time, point: [some(), some()], alarm: random() > 0.5 };
      case 7:
        if (i % 20 === 17) {
          const reason = `Türschwelle, Fahrt ${i}`;
          return { kind: "waiver", time, direction: "forward", seconds: 5 * random(), reason };
        }
        if (i % 40 === 7) return { kind: "shed", time, level: (i / 40) & 7 };
        return { kind: "mark", time, text: `mark ${i}: Stufe ≥ 150 mm` };
      case 8: {
        const of = i % 20 === 8 ? "lens" : "base";
        return { kind: "reference", time, of, sensor: of === "lens" ? 1 : 0, pose: pose() };
      }
      default: {
        const counts = fakeImage(16, random);
        return { kind: "depth", time, sensor: 1, sequence: (i - 9) / 10, counts, amplitude: null };
      }
    }
  };
  return Array.from({ length: count }, (_, i) => make(i));
}

/** A sink that keeps every write in memory. */
export class MemorySink implements ByteSink {
  readonly writes: Uint8Array[] = [];
  write(bytes: Uint8Array): void {
    this.writes.push(bytes.slice());
  }
  close(): void {}
  bytes(): Uint8Array {
    return new Uint8Array(Buffer.concat(this.writes)); // not a Buffer, whose `slice` is a view
  }
}

/** The bytes of a whole recording, index included. */
export async function recordingBytes(
  events: Iterable<HeadEvent>,
  header: RecordingHeader = smallHeader(),
): Promise<Uint8Array> {
  const sink = new MemorySink();
  const writer = new RecordingWriter(sink, header);
  for (const event of events) writer.write(event);
  await writer.close();
  return sink.bytes();
}

/** A copy of an event that the reader cannot overwrite with the next one. */
export function keep(event: HeadEvent): HeadEvent {
  if (event.kind !== "depth") return event;
  return { ...event, counts: event.counts.slice(), amplitude: event.amplitude?.slice() ?? null };
}

/** Reads `bytes`, handed over in pieces of the sizes that `pieceSize` returns, and collects the result. */
export function readAll(
  bytes: Uint8Array,
  options: ReadOptions = {},
  pieceSize: () => number = () => bytes.length,
): { header: RecordingHeader | null; events: HeadEvent[]; damage: readonly Damage[]; unknown: number } {
  const reader = new RecordingReader(options);
  const events: HeadEvent[] = [];
  const drain = () => {
    for (let event = reader.next(); event !== null; event = reader.next()) events.push(keep(event));
  };
  for (let at = 0; at < bytes.length; ) {
    const size = Math.max(1, pieceSize());
    reader.push(bytes.subarray(at, at + size));
    at += size;
    drain();
  }
  reader.finish();
  drain();
  return { header: reader.header, events, damage: reader.damage, unknown: reader.unknown };
}
