import { TROUBLES, troubleCase } from "../../tests/helpers/trouble/cases.ts";
import { draw, type Senses, type TroubleFrame, track } from "../../tests/helpers/trouble/run.ts";
import { UsageError } from "../frame/errors.ts";
import { wholeOption } from "../frame/values.ts";
import { programOf } from "./program.ts";

const SENSES: Readonly<Record<string, Senses>> = {
  w: { wheels: true, inertial: true, fused: true },
  n: { wheels: false, inertial: true, fused: true },
  o: { wheels: true, inertial: false, fused: true },
  r: { wheels: true, inertial: true, fused: false },
};

interface Line {
  readonly end: number;
  readonly most: number;
  readonly held: number;
  readonly yaw: number;
  readonly inside: number;
  readonly lost: number;
  /** Seconds from the last "lost" to "found"; NaN when never lost, Infinity when not found. */
  readonly again: number;
  readonly wheels: number;
}

const most = (values: readonly number[]): number => values.reduce((a, b) => Math.max(a, b), 0);

function lineOf(frames: readonly TroubleFrame[]): Line {
  const share = (test: (frame: TroubleFrame) => boolean) => frames.filter(test).length / frames.length;
  const last = frames.at(-1)!;
  const lostAt = frames.findLast(({ notes }) => notes.includes("lost"))?.time ?? Number.NaN;
  const found = frames.find(({ time, notes }) => time >= lostAt && notes.includes("found"));
  return {
    end: last.error,
    most: most(frames.map(({ error }) => error)),
    held: most(frames.filter(({ hold }) => hold === "held").map(({ error }) => error)),
    yaw: most(frames.map(({ yaw }) => yaw)),
    inside: share(({ isInside, hold }) => isInside || hold === "lost"),
    lost: share(({ hold }) => hold === "lost"),
    again: Number.isNaN(lostAt) ? lostAt : (found?.time ?? Number.POSITIVE_INFINITY) - lostAt,
    wheels: last.wheels,
  };
}

function text(name: string, lines: readonly Line[]): string {
  const worst = (key: keyof Line) => most(lines.map((line) => line[key]));
  const metres = (value: number) => value.toFixed(3).padStart(7);
  const inside = Math.min(...lines.map((line) => line.inside));
  const lost = lines.reduce((sum, line) => sum + line.lost, 0) / lines.length;
  const again = lines.map((line) => line.again).filter((seconds) => !Number.isNaN(seconds));
  const never = again.filter((seconds) => seconds === Number.POSITIVE_INFINITY).length;
  const found = again.length === 0 ? "-" : never > 0 ? `never ${never}` : `${most(again).toFixed(1)} s`;
  return (
    `${name.padEnd(14)} end ${metres(worst("end"))} most ${metres(worst("most"))} held ${metres(worst("held"))}` +
    `  yaw ${((180 * worst("yaw")) / Math.PI).toFixed(2).padStart(6)}  3 sigma ${(100 * inside).toFixed(1).padStart(5)} %` +
    `  lost ${(100 * lost).toFixed(1).padStart(5)} %  again ${found.padStart(7)}  wheels ${metres(worst("wheels"))}`
  );
}

export const main = programOf({
  name: "trouble",
  usage: "[options] [case...]",
  about:
    "Tracked poses with wrong or missing sensor data, or a head that is moved by hand: simulated rounds with one kind of trouble each, with wheels and without. One line per case.",
  options: {
    seeds: {
      type: "string",
      short: "n",
      value: "<n>",
      default: "3",
      help: "seeds of each case, from --first on (default 3)",
    },
    first: { type: "string", value: "<n>", default: "1", help: "the first seed (default 1)" },
    senses: {
      type: "string",
      value: "<list>",
      default: "w,n",
      help: "some of w (wheels, orientation, inertial), n (no wheels), o (wheels and orientation only), r (wheels and raw inertial samples, the head makes the attitude), with commas (default w,n)",
    },
    "seed-lines": { type: "boolean", help: "a line for each seed, too" },
    frames: { type: "boolean", help: "every frame of every seed, too" },
  },
  notes: [
    "Columns:",
    'end, most: error in metres at the end and largest error, worst of the seeds; held: largest error while the pose is held; 3 sigma: share of the frames whose position and heading are within three reported sigmas, least of the seeds; lost: share of the frames that are lost; again: seconds until found after the last "lost", worst of the seeds, "never" with how many seeds are lost at the end; wheels: wheels alone with the gyro\'s heading, at the end, worst of the seeds',
    `Cases: ${Object.keys(TROUBLES).join(", ")} (default: all)`,
  ].join("\n"),
  run: ({ values, positionals }) => {
    const names = positionals.length > 0 ? positionals : Object.keys(TROUBLES);
    const senses = values.senses.split(",");
    const [count, first] = [wholeOption(values, "seeds", 1), wholeOption(values, "first", 1)];
    const strange = names.find((name) => !Object.hasOwn(TROUBLES, name));
    if (strange !== undefined) throw new UsageError(`there is no case "${strange}" (see --help)`);
    if (!senses.every((name) => Object.hasOwn(SENSES, name))) {
      throw new UsageError(`--senses must be of ${Object.keys(SENSES).join(", ")}, got "${values.senses}"`);
    }
    for (const name of names) {
      const lines = senses.map((): Line[] => []);
      for (let seed = first; seed < first + count; seed++) {
        const drawn = draw(troubleCase(name, seed));
        senses.forEach((which, n) => {
          const frames = track(drawn, SENSES[which]!);
          const line = lineOf(frames);
          lines[n]!.push(line);
          if (values["seed-lines"]) console.log(text(`  ${seed} ${which}`, [line]));
          if (values.frames) for (const frame of frames) console.log(frameText(frame));
        });
      }
      for (const [n, which] of senses.entries()) console.log(text(`${name} ${which}`, lines[n]!));
    }
    return 0;
  },
});

function frameText({ time, hold, off, sigma, yaw, yawSigma, isInside, notes }: TroubleFrame): string {
  const mm = (values: readonly number[]) => values.map((v) => (1000 * v).toFixed(0).padStart(5)).join("");
  const degrees = (v: number) => ((180 * v) / Math.PI).toFixed(2).padStart(6);
  return (
    `${time.toFixed(2).padStart(6)} ${hold.padEnd(8)} off ${mm(off)} sigma ${mm(sigma)} yaw ${degrees(yaw)} ` +
    `${degrees(yawSigma)} ${isInside ? "" : "OUT"} ${notes.join(", ")}`
  );
}
