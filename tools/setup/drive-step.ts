import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { evaluateDrive } from "../mount/evaluate.ts";
import { recordLive } from "../mount/live.ts";
import { MOTION_PICTURES } from "../mount/motion-pictures.ts";
import { configWith, describeReport, missing } from "../mount/report.ts";
import { type DraftConfig, type Outcome, type Session, type Step, withoutSensor } from "./session.ts";
import { numberIn } from "./talk.ts";
import { type TrialHead, withTrialHead } from "./trial-head.ts";

/** The drive of `mount`, with a picture of each motion; its findings go into the draft. */
export const driveStep: Step = {
  title: "Calibration drive",
  about:
    "records a short drive, motion by motion, and finds height, pitch, roll, yaw, offsets, delays and wheel sizes",
  cannot: withoutSensor,
  async run(session, config) {
    const { talk } = session;
    talk.say(
      "Drive on level floor, in a furnished place with things 1 to 3 m away on all sides, without edges or people.",
      "Half a minute suffices: stand, turn both ways, four straight legs with firm stops. You drive, by your own means.",
      "! Keep the base tethered and slow, with a person at the hardware stop.",
    );
    const tape = await talk.ask(
      "tape",
      (text) => (text === "none" ? null : numberIn(0.2, 5, "m")(text)),
      "none",
    );
    await talk.enter("Ready to drive?");
    return withTrialHead(session, config, {}, (head) => drive(session, config, head, tape));
  },
};

async function drive(
  { talk, seconds, signal }: Session,
  config: DraftConfig,
  head: TrialHead,
  tape: number | null,
): Promise<Outcome> {
  const folder = await mkdtemp(join(tmpdir(), "brinkmap-drive-"));
  const out = join(folder, "drive.brk");
  const say = (line: string): void => talk.say(line);
  const show = (motion: keyof typeof MOTION_PICTURES): void => talk.say("", ...MOTION_PICTURES[motion], "");
  try {
    const end = AbortSignal.any([signal, head.trouble]);
    await recordLive({ url: head.url, seconds, out, overwrite: true, say, show }, end);
    signal.throwIfAborted();
    head.trouble.throwIfAborted();
    const { report, sensor } = await evaluateDrive(out, undefined, tape);
    const given = config as Readonly<Record<string, unknown>>;
    talk.say(...describeReport(report, tape, given));
    const lacking = missing(report).map(([name]) => name);
    return {
      result: lacking.length === 0 ? "passed" : "failed",
      text: `${report.seen.frames} frames, ${report.seen.way.toFixed(1)} m${lacking.length === 0 ? "; everything was found" : `; not found, and kept as before: ${lacking.join(", ")}`}`,
      config: configWith(given, report, sensor) as DraftConfig,
    };
  } finally {
    await rm(folder, { recursive: true, force: true });
  }
}
