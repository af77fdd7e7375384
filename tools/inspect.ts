import type { Optics } from "../src/geometry/optics.ts";
import { createRecording, openRecording, type Recording } from "../src/record/file.ts";
import type { RecordingHeader } from "../src/record/format.ts";
import type { Damage } from "../src/record/reader.ts";
import type { HeadEvent } from "../src/sense/events.ts";
import { mainOf, runIfStarted } from "./frame/command.ts";
import { EXIT, UsageError, writing } from "./frame/errors.ts";
import { Progress } from "./frame/progress.ts";
import { numberOf, oneExpected } from "./frame/values.ts";

/** An irregularity of a periodic stream. Times are microseconds. */
interface Gap {
  readonly stream: string;
  readonly what: "frames missing" | "pause" | "time goes back";
  /** Of the event before it. */
  readonly time: number;
  /** Time from the event before it to the one after, negative when time goes back. */
  readonly length: number;
  /** Frames missing, by their sequence numbers. */
  readonly missing: number;
}

/** Events of one kind; of one sensor, for depth. */
interface Stream {
  readonly name: string;
  events: number;
  /** Bytes of its records. */
  size: number;
  firstTime: number;
  lastTime: number;
  /** Events per second between the first and the last, null when there is no such time. */
  rate: number | null;
  longestPause: number;
  pauses: number;
  backwards: number;
  missing: number;
  repeated: number;
  /** Bytes its images take uncompressed. */
  rawSize: number;
}

interface Summary {
  readonly file: string;
  readonly size: number;
  readonly header: RecordingHeader;
  /** False after a recorder was killed: there is no index then. */
  readonly closed: boolean;
  readonly firstTime: number | null;
  readonly lastTime: number | null;
  readonly streams: readonly Stream[];
  /** Where they were first seen, at most `MAX_GAPS`; the streams have the counts. */
  readonly gaps: readonly Gap[];
  readonly marks: readonly { readonly time: number; readonly text: string }[];
  /** Records of kinds that this version doesn't know. */
  readonly unknown: number;
  readonly damage: readonly Damage[];
}

const MAX_GAPS = 1000;
const MAX_MARKS = 1000;
/** Periodic kinds of events; a pause between two knocks is no fault. */
const STEADY: readonly HeadEvent["kind"][] = ["depth", "orientation", "inertial", "motion"];

/** Counts of streams, event by event. */
class Tally {
  readonly gaps: Gap[] = [];
  readonly marks: { time: number; text: string }[] = [];
  readonly #streams = new Map<string, Stream>();
  readonly #sequences = new Map<string, number>();
  readonly #times = new Map<string, number>();
  /** Microseconds. */
  readonly #pause: number;

  /** @param pause seconds without an event that count as a gap of a periodic stream */
  constructor(pause: number) {
    this.#pause = pause * 1e6;
  }

  /** @param size bytes of the event's record */
  add(event: HeadEvent, size: number): void {
    const { time } = event;
    const name = event.kind === "depth" ? `depth ${event.sensor}` : event.kind;
    const stream = this.#streamOf(name, time);
    const before = this.#times.get(name) ?? time;
    this.#times.set(name, time);
    stream.events++;
    stream.size += size;
    stream.firstTime = Math.min(stream.firstTime, time);
    stream.lastTime = Math.max(stream.lastTime, time);

    const note = (what: Gap["what"], missing = 0) => {
      if (this.gaps.length < MAX_GAPS)
        this.gaps.push({ stream: name, what, time: before, length: time - before, missing });
    };
    if (time < before) {
      stream.backwards++;
      note("time goes back");
    }
    if (STEADY.includes(event.kind)) {
      stream.longestPause = Math.max(stream.longestPause, time - before);
      if (time - before > this.#pause) {
        stream.pauses++;
        note("pause");
      }
    }
    if (event.kind === "depth") {
      stream.rawSize += event.counts.byteLength + (event.amplitude?.byteLength ?? 0);
      const due = (this.#sequences.get(name) ?? event.sequence - 1) + 1;
      this.#sequences.set(name, event.sequence);
      if (event.sequence > due) {
        stream.missing += event.sequence - due;
        note("frames missing", event.sequence - due);
      } else if (event.sequence < due) stream.repeated++;
    } else if (event.kind === "mark" && this.marks.length < MAX_MARKS) {
      this.marks.push({ time, text: event.text });
    }
  }

  /** The streams by name, with their rates. */
  streams(): Stream[] {
    const all = [...this.#streams.values()].sort((a, b) => (a.name < b.name ? -1 : 1));
    for (const stream of all) {
      const seconds = (stream.lastTime - stream.firstTime) / 1e6;
      stream.rate = seconds > 0 ? (stream.events - 1) / seconds : null;
    }
    return all;
  }

  #streamOf(name: string, time: number): Stream {
    const known = this.#streams.get(name);
    if (known !== undefined) return known;
    const stream: Stream = {
      name,
      events: 0,
      size: 0,
      firstTime: time,
      lastTime: time,
      rate: null,
      longestPause: 0,
      pauses: 0,
      backwards: 0,
      missing: 0,
      repeated: 0,
      rawSize: 0,
    };
    this.#streams.set(name, stream);
    return stream;
  }
}

/** Reads all of a recording. `seen` gets each event and the offset behind it. */
function summarize(
  file: string,
  recording: Recording,
  pause: number,
  seen: (event: HeadEvent, end: number) => void,
): Summary {
  const tally = new Tally(pause);
  for (const event of recording.events()) {
    const { offset, size } = recording.position;
    seen(event, offset + size);
    tally.add(event, size);
  }
  const all = tally.streams();
  const first = all.reduce((time, stream) => Math.min(time, stream.firstTime), Number.POSITIVE_INFINITY);
  const last = all.reduce((time, stream) => Math.max(time, stream.lastTime), Number.NEGATIVE_INFINITY);
  return {
    file,
    size: recording.size,
    header: recording.header,
    closed: recording.hasIndex(),
    firstTime: all.length > 0 ? first : null,
    lastTime: all.length > 0 ? last : null,
    streams: all,
    gaps: tally.gaps,
    marks: tally.marks,
    unknown: recording.unknown,
    damage: recording.damage,
  };
}

function formatSize(size: number): string {
  if (size < 10_000) return `${size} B`;
  return size < 10_000_000 ? `${(size / 1e3).toFixed(1)} kB` : `${(size / 1e6).toFixed(1)} MB`;
}

function formatOptics(optics: Optics): string {
  const { model, width, height, measures, unit, minRange, maxRange } = optics;
  const scale = `${measures} in ${(unit * 1000).toPrecision(3)} mm, ${minRange} to ${maxRange} m`;
  if (model === "scan") {
    const turn = ((optics.step * (width - 1)) / Math.PI) * 180;
    return `${model} of ${width} beams over ${turn.toFixed(0)} degrees, ${scale}`;
  }
  const across = ((2 * Math.atan(width / 2 / optics.fx)) / Math.PI) * 180;
  const angle = model === "pinhole" ? `, ${across.toFixed(0)} degrees across` : "";
  return `${model} ${width} x ${height}${angle}, ${scale}`;
}

const seconds = (time: number) => (time / 1e6).toFixed(3);

/** The first `most` of some lines, and how many more there are. */
function* some<T>(items: readonly T[], most: number, line: (item: T) => string): Generator<string> {
  for (const item of items.slice(0, most)) yield `  ${line(item)}`;
  if (items.length > most) yield `  and ${items.length - most} more (see --json)`;
}

function* describe(summary: Summary): Generator<string> {
  const { header, streams, gaps, marks, damage } = summary;
  const start = summary.firstTime ?? 0;
  const after = (time: number) => `${seconds(time - start)} s`;
  yield `${summary.file}: ${formatSize(summary.size)}, ${summary.closed ? "closed" : "not closed (no index)"}`;
  yield `software  ${header.software}`;
  if (header.about) yield `about     ${header.about}`;
  for (const [i, { name, optics, mount }] of header.setup.sensors.entries()) {
    yield `sensor ${i}  ${name}, on the ${mount.on}: ${formatOptics(optics)}`;
  }
  yield `settings  ${JSON.stringify(header.settings)}`;
  yield summary.firstTime === null
    ? "no events"
    : `duration  ${after(summary.lastTime!)}, from time ${seconds(summary.firstTime)} s`;
  const row = (name: string, ...columns: string[]) =>
    name.padEnd(12) + columns.map((c) => c.padStart(12)).join("");
  yield "";
  yield row("stream", "events", "per second", "size", "compressed", "missing", "pauses", "time back");
  for (const s of streams) {
    const ratio = s.rawSize > 0 ? `${((100 * s.size) / s.rawSize).toFixed(1)} %` : "";
    const gapCounts = [s.missing, s.pauses, s.backwards].map(String);
    yield row(s.name, String(s.events), s.rate?.toFixed(2) ?? "", formatSize(s.size), ratio, ...gapCounts);
  }
  for (const s of streams) {
    if (s.repeated > 0)
      yield `${s.name}: ${s.repeated} frames have a sequence number that was passed already`;
  }
  if (gaps.length > 0) yield "gaps";
  yield* some(gaps, 10, ({ stream, what, time, length, missing }) => {
    const detail =
      what === "frames missing" ? `${missing} ${what}` : `${what} by ${seconds(Math.abs(length))} s`;
    return `${stream}, after ${after(time)}: ${what === "pause" ? `pause of ${seconds(length)} s` : detail}`;
  });
  if (marks.length > 0) yield "marks";
  yield* some(marks, 10, ({ time, text }) => `${after(time)}: ${text}`);
  if (summary.unknown > 0) yield `${summary.unknown} records of kinds that this version doesn't know`;
  yield damage.length === 0 ? "no damage" : "damage";
  yield* some(damage, 20, ({ offset, length, reason }) => `${length} bytes from byte ${offset}: ${reason}`);
}

export const main = mainOf({
  name: "inspect",
  usage: "[options] <recording>",
  about: "Prints the content of a recording, and its damage.",
  options: {
    json: { type: "boolean", help: "print everything as one JSON object" },
    pause: {
      type: "string",
      short: "p",
      value: "<s>",
      default: "0.5",
      help: "list gaps in a stream longer than this (default 0.5)",
    },
    repair: {
      type: "string",
      short: "r",
      value: "<out>",
      help: "write all readable records to a new recording, with an index; records of unknown kinds are left out",
    },
  },
  exits: {
    3: "recording missing or unreadable",
    4: "the new recording cannot be written",
    5: "damaged, and not repaired",
  },
  async run({ values, positionals }) {
    const file = oneExpected(positionals, "one recording");
    const pause = numberOf("pause", values.pause);
    if (!(pause > 0)) throw new UsageError(`--pause must be more than 0, got "${values.pause}"`);
    const { repair } = values;
    const recording = await openRecording(file);
    try {
      const out =
        repair === undefined ? null : await writing(repair, () => createRecording(repair, recording.header));
      const progress = new Progress("reading");
      let summary: Summary;
      let events = 0;
      try {
        summary = summarize(file, recording, pause, (event, end) => {
          out?.write(event);
          if (++events % 256 === 0) progress.show(end / recording.size);
        });
      } finally {
        progress.stop();
        await out?.close();
      }
      if (values.json) console.log(JSON.stringify(summary, null, 2));
      else for (const line of describe(summary)) console.log(line);
      return summary.damage.length > 0 && out === null ? EXIT.finding : EXIT.done;
    } finally {
      recording.close();
    }
  },
});

await runIfStarted(import.meta.url, main);
