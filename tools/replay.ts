import { readFile } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { DecodeError } from "../src/coding/decode-error.ts";
import { SETTINGS, SettingError } from "../src/head/settings.ts";
import type { TrackNote } from "../src/track/frame.ts";
import { Progress } from "./frame/progress.ts";
import { type ReplaySummary, replayRecording } from "./replay/run.ts";

const HELP = `Usage: replay [options] <recording>    feed a recording through the head, as fast as it goes
      --pose <source>   where poses come from: reference, odometry or tracked (default: the recording's,
                        else reference)
      --hold-out        keep every second frame out of the map, and say how well the map predicts it
      --set <name=value>  change a setting, as often as you like; --set help lists them
      --settings <file> settings as a JSON object
      --json            print the summary as JSON
  -h, --help            show this text
Exit codes: 0 done, 1 internal error, 2 wrong usage, 3 recording missing or unreadable`;
const options = {
  pose: { type: "string" },
  "hold-out": { type: "boolean" },
  set: { type: "string", multiple: true },
  settings: { type: "string" },
  json: { type: "boolean" },
  help: { type: "boolean", short: "h" },
} as const;

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string) => {
    console.error(`replay: ${why}`);
    return code;
  };
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (values.set?.includes("help")) {
      console.log(listSettings());
      return 0;
    }
    if (positionals.length !== 1) return fail(2, "expected one recording (see --help)");
    const settings = await settingsFrom(values.settings, values.set ?? []);
    if (values.pose !== undefined) settings["pose.source"] = values.pose;
    const bar = new Progress("replaying");
    try {
      const { summary } = await replayRecording(positionals[0]!, {
        settings,
        holdOut: values["hold-out"] === true,
        isAhead: true,
        onProgress: (share) => bar.show(share),
      });
      bar.stop();
      console.log(values.json ? JSON.stringify(summary, null, 2) : describe(summary));
    } finally {
      bar.stop();
    }
    return 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (code.startsWith("ERR_PARSE_ARGS") || error instanceof SettingError || error instanceof RangeError) {
      return fail(2, message);
    }
    if (error instanceof DecodeError || ["ENOENT", "EACCES", "EISDIR"].includes(code))
      return fail(3, message);
    throw error;
  }
}

/** The summary as lines for people. */
export function describe(summary: ReplaySummary): string {
  const { map, heldOut, trajectoryError } = summary;
  const times = summary.recorded / summary.taken;
  const skipped = Object.entries(summary.skipped).map(([why, count]) => `${count} ${why}`);
  const lines = [
    `recording   ${summary.recorded.toFixed(1)} s, ${summary.events} events, ${summary.frames} frames mapped` +
      `${skipped.length > 0 ? `, left out: ${skipped.join(", ")}` : ""}` +
      `${summary.missed > 0 ? `, ${summary.missed} never arrived` : ""}` +
      `${summary.damage > 0 ? `, ${summary.damage} damaged stretches passed over` : ""}`,
    `speed       ${summary.taken.toFixed(2)} s taken, ${times.toFixed(1)} times real time; ` +
      `a frame takes the head ${summary.frameMedian.toFixed(2)} ms (99 % under ${summary.frame99.toFixed(2)} ms)`,
    `map         ${map.area.toFixed(1)} m2 seen, ${map.blockedArea.toFixed(1)} m2 of it blocked; ${map.blocks} blocks, ` +
      `${(map.size / 1024).toFixed(0)} kB, ${(map.size / 1000 / map.area).toFixed(1)} kB/m2`,
    `floor       mean height ${(1000 * map.floorMean).toFixed(1)} mm, spread ${(1000 * map.floorDeviation).toFixed(1)} mm`,
  ];
  if (heldOut !== null) {
    lines.push(
      `held out    ${heldOut.frames} frames, ${heldOut.pixels} pixels: median depth error ` +
        `${(1000 * heldOut.medianError).toFixed(1)} mm, ${(100 * heldOut.within5cm).toFixed(1)} % within 5 cm along the ray, ` +
        `${(100 * heldOut.answered).toFixed(1)} % answered`,
    );
  }
  if (trajectoryError !== null) {
    const { aligned, unaligned, relativeTranslation, relativeRotation, way } = trajectoryError;
    const mm = (metres: number) => `${(1000 * metres).toFixed(1)} mm`;
    const deg = (radians: number) => `${((180 * radians) / Math.PI).toFixed(2)} deg`;
    lines.push(
      `trajectory  absolute error, aligned: rms ${mm(aligned.rmse)}, worst ${mm(aligned.max)}; ` +
        `as it stands: rms ${mm(unaligned.rmse)}, worst ${mm(unaligned.max)}`,
      `            relative error over 1 s: rms ${mm(relativeTranslation.rmse)}, ${deg(relativeRotation.rmse)}; ` +
        `after ${way.toFixed(1)} m off by ${mm(trajectoryError.endDistance)}, ${deg(trajectoryError.endAngle)}`,
    );
  }
  const holds = Object.entries(summary.holds);
  if (holds.length > 0) {
    lines.push(`tracking    ${holds.map(([hold, count]) => `${count} frames ${hold}`).join(", ")}`);
    for (const { time, note } of summary.notes) {
      lines.push(`            at ${(time / 1e6).toFixed(2)} s: ${describeNote(note)}`);
    }
  }
  lines.push(`hash        ${summary.hash}`);
  return lines.join("\n");
}

function describeNote(note: TrackNote): string {
  const deg = (radians: number) => `${((180 * radians) / Math.PI).toFixed(1)} deg`;
  switch (note.what) {
    case "lost":
      return "lost";
    case "found":
      return `found again, ${note.distance.toFixed(2)} m from where it was lost`;
    case "loop closed":
      return `a place seen ${note.way.toFixed(1)} m of way before: moved by ${note.distance.toFixed(2)} m, ${deg(note.angle)}`;
    case "yaw jump":
      return `the orientation's yaw jumped by ${deg(note.angle)}, not followed`;
    case "odometry disagrees":
      return `odometry disagrees with depth by ${note.distance.toFixed(2)} m, ${deg(note.angle)} over the last second`;
    default:
      return note satisfies never;
  }
}

/** Settings from a file and from name=value words, the words on top. */
export async function settingsFrom(
  file: string | undefined,
  words: readonly string[],
): Promise<Record<string, unknown>> {
  const settings: Record<string, unknown> = {};
  if (file !== undefined) {
    let parsed: unknown;
    try {
      parsed = JSON.parse(await readFile(file, "utf8"));
    } catch (error) {
      if (error instanceof SyntaxError) throw new SettingError(`${file} is not JSON: ${error.message}`);
      throw error;
    }
    if (typeof parsed !== "object" || parsed === null || Array.isArray(parsed)) {
      throw new SettingError(`${file} must hold one JSON object of setting names and values`);
    }
    Object.assign(settings, parsed);
  }
  for (const word of words) {
    const at = word.indexOf("=");
    if (at < 1) throw new SettingError(`--set takes name=value, got "${word}"; --set help lists the names`);
    settings[word.slice(0, at)] = word.slice(at + 1);
  }
  return settings;
}

function listSettings(): string {
  return Object.entries(SETTINGS)
    .map(([name, row]) => {
      const allowed =
        row.type === "choice"
          ? row.choices.join(" | ")
          : row.type === "text"
            ? "text"
            : `${row.min} to ${row.max} ${row.unit}`;
      return `${name.padEnd(24)} ${String(row.default).padEnd(10)} ${allowed}\n${" ".repeat(25)}${row.help}`;
    })
    .join("\n");
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
