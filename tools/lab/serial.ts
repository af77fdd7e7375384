import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { MotorBoard } from "../../src/service/base/motor-board.ts";
import { headTime } from "../../src/service/time.ts";
import { WIRE_OLD } from "../../src/terms/freshness.ts";
import type { Draft } from "../../src/wire/messages.ts";
import { clearReach } from "../../tests/helpers/clear-reach.ts";
import { compileBoard, HostBoard } from "../../tests/helpers/motor-board-c.ts";
import { runIfStarted } from "../frame/command.ts";
import { noneExpected, numberOf } from "../frame/values.ts";
import { programOf } from "./program.ts";

/** Reaches a second. */
const RATE = 30;
/** Commands a second. */
const COMMANDS = 20;
/** Milliseconds between troubles, and between looks at the memory. */
const TROUBLE_EVERY = 3000;
const LOOK_EVERY = 5000;
/** Troubles in their order, repeatedly; noise is always there. */
const TROUBLES = [
  "cut 80",
  "flood 3",
  "cut 250",
  "flood 1",
  "cut 30",
  "flood 3",
  "cut 900",
  "flood 1",
  "unplug",
];
/** Microseconds by which a board's clock may be wrong: half the round trip of its best exchange, with what this machine adds. */
const CLOCK_ERROR = 3000;

const sleep = (milliseconds: number) => new Promise((resolve) => setTimeout(resolve, milliseconds));

/** Makes a reach of the present time that permits motion. */
function reachNow(): Draft<"reach"> {
  const time = headTime();
  const speeds = { forward: 0.8, backward: 0.3, left: 1, right: 1 };
  const arcs = [0.2, 0.4, 0.6, 0.8, 0.6, 0.4, 0.2];
  const pace = {
    ...speeds,
    arcsForward: arcs,
    arcsBackward: arcs,
    isWayOut: false,
    roomMm: 3000,
    limit: null,
  };
  return clearReach(time, time + 150_000, pace);
}

const meanOf = (values: readonly number[]): number =>
  values.reduce((sum, value) => sum + value, 0) / values.length;

export const main = programOf({
  name: "serial",
  usage: "[options]",
  about:
    "The serial line between the head's end and the board's own code, compiled with sanitizers, at a pseudo terminal: noise, cuts, a peer that sends too much, a line that is unplugged.",
  options: {
    minutes: {
      type: "string",
      short: "m",
      value: "<x>",
      default: "1",
      help: "length of the run (default 1)",
    },
    noise: {
      type: "string",
      value: "<percent>",
      default: "10",
      help: "share of damaged frames, both ways (default 10)",
    },
    calm: { type: "boolean", help: "neither noise, nor cuts, nor a flood: for the times of a good line" },
    speed: { type: "string", value: "<baud>", default: "921600", help: "speed of the line (default 921600)" },
  },
  exits: { 1: "something older than 60 ms was obeyed, or the board's code failed", 3: "no compiler" },
  async run({ values, positionals }) {
    noneExpected(positionals);
    const minutes = numberOf("minutes", values.minutes);
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-serial-"));
    try {
      return await soak(folder, {
        minutes,
        noise: values.calm ? 0 : numberOf("noise", values.noise),
        isCalm: values.calm === true,
        speed: numberOf("speed", values.speed),
      });
    } finally {
      rmSync(folder, { recursive: true });
    }
  },
});

interface Soak {
  readonly minutes: number;
  readonly noise: number;
  readonly isCalm: boolean;
  readonly speed: number;
}

async function soak(folder: string, { minutes, noise, isCalm, speed }: Soak): Promise<number> {
  let program: string;
  try {
    program = compileBoard("host", folder);
  } catch (error) {
    console.error(`serial: ${(error as Error).message}`);
    return 3;
  }
  const host = await HostBoard.start(program, folder);
  const notes = new Map<string, number>();
  let observed = 0;
  const board = new MotorBoard({
    serial: { path: host.path, speed },
    wheels: { kind: "differential", radius: 0.1, countsPerTurn: 800 * Math.PI, track: 0.32, axle: 0 },
    isLive: true,
    now: headTime,
    listener: {
      observe: () => observed++,
      note: (text) => {
        const kind = text.replace(/\d+/g, "n").replace(host.path.replace(/\d+/g, "n"), "the line");
        notes.set(kind, (notes.get(kind) ?? 0) + 1);
      },
    },
  });
  board.start();
  host.say("obey");
  host.say(`noise ${noise}`);
  const timers = [
    setInterval(() => board.send(reachNow()), 1000 / RATE),
    setInterval(
      () => board.command({ kind: "drive", forward: 0.3, turn: 0.1, seconds: 0.2 }),
      1000 / COMMANDS,
    ),
  ];
  let turn = 0;
  if (!isCalm) timers.push(setInterval(() => host.say(TROUBLES[turn++ % TROUBLES.length]!), TROUBLE_EVERY));
  const memory: number[] = [];
  timers.push(setInterval(() => memory.push(process.memoryUsage.rss() / 2 ** 20), LOOK_EVERY));
  await sleep(60_000 * minutes);
  for (const timer of timers) clearInterval(timer);
  const report = await host.report();
  const status = board.status();
  await board.stop();
  const code = await host.stop();

  const third = Math.max(1, Math.floor(memory.length / 3));
  const [middle, late] = [memory.slice(third, 2 * third), memory.slice(-third)].map(meanOf);
  const percent = (part: number): string => `${((100 * part) / report.steps).toFixed(1)} %`;
  console.log(`reach to its bytes on the line  p99 at most ${report.waited / 1000} ms`);
  console.log(`from there to the board         p99 at most ${report.way / 1000} ms`);
  console.log(`oldest pace obeyed              ${(report.oldest / 1000).toFixed(1)} ms after it was sent`);
  console.log(`control periods with a pace     ${percent(report.permitted)} of ${report.steps}`);
  console.log(
    `frames damaged                  ${status.damagedHere} at the head, ${report.damaged} at the board`,
  );
  console.log(`frames refused by the board     ${report.refused}`);
  console.log(`observations                    ${observed}`);
  console.log(
    `memory of the head's end        ${middle?.toFixed(1)} MB in the second third, ${late?.toFixed(1)} in the last`,
  );
  for (const [text, count] of notes) console.log(`note, ${count} times: ${text}`);
  if (code !== 0) console.error(`serial: the board's program ended with ${code}: ${host.complaint}`);
  return code === 0 && report.oldest <= 1e6 * WIRE_OLD + CLOCK_ERROR ? 0 : 1;
}

await runIfStarted(import.meta.url, main);
