import { setTimeout as wait } from "node:timers/promises";
import type { FromServer } from "../../src/wire/messages.ts";
import { type DepthText, depthText, LEGEND } from "./depth-text.ts";
import { type DraftConfig, type Outcome, type Session, type Step, withoutSensor } from "./session.ts";
import { type TrialHead, withTrialHead } from "./trial-head.ts";

/** Most characters of the picture in a line. */
const COLUMNS = 76;
/** Milliseconds until a picture is drawn once: the head then knows what is floor. */
const SETTLE = 1000;
/** Milliseconds between pictures on a terminal. */
const REDRAW = 500;
/** Share of the picture below which hardly any floor is seen, metres off level that a tape does not explain. */
const LITTLE_FLOOR = 0.05;
const OFF_LEVEL = 0.015;

export const viewStep: Step = {
  title: "What the head sees",
  about: "shows the depth image in characters, with what is floor, what stands on it and what is not used",
  cannot: withoutSensor,
  run: (session, config) =>
    withTrialHead(session, config, { image: 5, reach: 5 }, (head) => look(session, config, head)),
};

async function look(session: Session, config: DraftConfig, head: TrialHead): Promise<Outcome> {
  const { talk, signal } = session;
  const tall = Number((config.settings as Record<string, unknown> | undefined)?.["body.height"] ?? 0.6);
  let reach: FromServer<"reach"> | null = null;
  head.client.on("reach", (message) => {
    reach = message;
  });
  let newest: FromServer<"image"> | null = null;
  let rows = 0;
  // Some terminals tell 0 columns.
  const wide = process.stdout.columns || Number.POSITIVE_INFINITY;
  const draw = (): DepthText => {
    const picture = depthText(newest!, {
      setup: head.client.welcome!.setup as Parameters<typeof depthText>[1]["setup"],
      tall,
      columns: Math.min(COLUMNS, wide),
      hasColours: session.isTerminal,
    });
    const texts = [LEGEND, ...describe(picture, reach)];
    const lines = [...picture.lines, ...texts];
    // A picture replaces the one before, with the lines that the terminal has wrapped.
    if (session.isTerminal && rows > 0) lines[0] = `\x1b[${rows}A\x1b[J${lines[0]}`;
    rows =
      picture.lines.length + texts.reduce((sum, text) => sum + Math.max(1, Math.ceil(text.length / wide)), 0);
    talk.say(...lines);
    return picture;
  };
  const seen = new AbortController();
  head.client.on("image", (image) => {
    newest = image;
  });
  await head.until("image", () => true, signal);
  await wait(SETTLE, undefined, { signal });
  const isWatched = session.isTerminal && !talk.isBatch;
  const stopped = new Promise<void>((resolve) => head.trouble.addEventListener("abort", () => resolve()));
  const entered = isWatched ? talk.enter("Look as long as you like.", stopped) : Promise.resolve();
  const ended = entered.finally(() => seen.abort());
  let picture = draw();
  while (isWatched && !seen.signal.aborted) {
    await Promise.race([wait(REDRAW), ended.catch(() => {})]);
    if (!seen.signal.aborted) picture = draw();
  }
  await ended;
  head.trouble.throwIfAborted();
  const isRight = await talk.askYes("floor", picture.floor > LITTLE_FLOOR ? "yes" : "no");
  // The camera may have stopped while the person looked.
  await head.until("image", () => true, signal);
  const text = describe(picture, null)[0]!.trim();
  return {
    result: isRight ? "passed" : "failed",
    text: isRight ? text : `the picture is not right: ${text}`,
  };
}

function describe(
  { floor, unused, nearest, height }: DepthText,
  reach: FromServer<"reach"> | null,
): string[] {
  const percent = (share: number): string => `${(100 * share).toFixed(0)} %`;
  const lines = [
    `  floor ${percent(floor)} of the picture${nearest === null ? "" : `, from ${nearest.toFixed(2)} m ahead of the turning point`}; not used ${percent(unused)}`,
  ];
  if (floor < LITTLE_FLOOR) {
    lines.push(
      "! Hardly any floor: is the lens covered? Are height and pitch right (step base), and the unit of depth (step devices)?",
    );
  } else if (Math.abs(height!) > OFF_LEVEL) {
    lines.push(
      `! The floor lies ${(1000 * Math.abs(height!)).toFixed(0)} mm ${height! < 0 ? "lower" : "higher"} than height and pitch say: measure again, or let the drive find them.`,
    );
  }
  if (reach !== null) {
    const room =
      reach.pace === null ? "no pace" : `free way ahead ${(reach.pace.roomMm / 1000).toFixed(2)} m`;
    lines.push(`  the head says: ${reach.state}, ${room}`);
  }
  return lines;
}
