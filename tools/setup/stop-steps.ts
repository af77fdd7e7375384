import { END, END_NAMES } from "../../src/terms/safety.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { type DraftConfig, type Outcome, type Session, type Step, withoutSensor } from "./session.ts";
import { type TrialHead, withTrialHead } from "./trial-head.ts";

// Whether the base stops when the head says so: first with the wheels off the ground, then before a box. The head's own reach judges; the
// person confirms what the head cannot know.

type Reach = FromServer<"reach">;

/** Seconds for a person to do what is asked. */
const PATIENCE = 60;
/** Seconds within which the reach must close once frames show nothing: the head closes it in 0.14 s or 1.5 frame intervals. */
const CLOSED_WITHIN = 1;
/** Metres ahead at which the box must be seen, and least way that the base drives towards it. */
const [NEAR, FAR] = [0.4, 2.6];
const DRIVEN = 0.15;
/** m/s. A base that the head has stopped has a pace below this: a faster one would have let it creep nearer. */
const CRAWL = 0.15;
/** Milliseconds of standing that count as standing, and metres that a pose jitters meanwhile. */
const STANDS = 1200;
const JITTER = 0.015;

const brakesMissing = (config: DraftConfig): string | null => {
  const settings = (config.settings ?? {}) as Readonly<Record<string, unknown>>;
  const isSet = ["body.footprint", "body.deceleration", "body.reactionDelay"].every(
    (name) => name in settings,
  );
  return isSet
    ? null
    : "outline, deceleration and delay of the base are not all set, so the head permits no motion (step base)";
};
const cannotStop = (session: Session, config: DraftConfig): string | null =>
  withoutSensor(session, config) ?? (session.scenario === null ? brakesMissing(config) : null);

const isOpen = ({ state, pace }: Reach): boolean =>
  (state === "clear" || state === "dark") && pace !== null && pace.forward > 0.02;

export const stopStep: Step = {
  title: "Stop with the wheels off the ground",
  about: "with the wheels lifted, the lens is covered: the reach must close, and the wheels must stop",
  cannot: cannotStop,
  run: (session, config) => withTrialHead(session, config, { reach: 30 }, (head) => coverLens(session, head)),
};

async function coverLens(session: Session, head: TrialHead): Promise<Outcome> {
  const { talk } = session;
  talk.say(
    "      ____",
    "     |    |=>  lens: sees the floor ahead",
    "     |____|",
    "      o  o     wheels turn freely",
    "     ######    blocks under the frame",
    "",
    "Put the base on blocks, so that its wheels turn freely and the lens still sees the floor. Tether it.",
    "Let the wheels turn slowly ahead, by your own means.",
  );
  await talk.enter("Do the wheels turn?");
  await within(
    session,
    (limit) => head.until("reach", (reach) => isOpen(reach) || undefined, limit),
    "the reach never was open: does the lens see the floor (step view)?",
  );
  talk.say("Now cover the lens with a hand, for two seconds. Watch the wheels.");
  const closed = await within(
    session,
    (limit) => head.until("reach", (reach) => (isOpen(reach) ? undefined : reach), limit),
    "the reach stayed open: the lens was not covered, or it sees through the cover",
  );
  const text = `the reach closed (${closed.state}), evidence ${(closed.age / 1e6).toFixed(2)} s old`;
  talk.say(text);
  if (!(await talk.askYes("stopped"))) {
    return {
      result: "failed",
      text: `${text}, but the wheels went on: the base does not obey the pace (docs/motor-board.md, docs/protocol.md)`,
    };
  }
  return closed.age / 1e6 <= CLOSED_WITHIN
    ? { result: "passed", text: `${text}; the wheels stopped` }
    : { result: "failed", text: `${text}: later than ${CLOSED_WITHIN} s` };
}

export const edgeStep: Step = {
  title: "Stop before a box of cardboard",
  about:
    "on flat ground the base drives slowly towards a box of cardboard: it must stop before it, by itself",
  cannot: cannotStop,
  run: (session, config) =>
    withTrialHead(session, config, { reach: 20, pose: 20 }, (head) => approach(session, head)),
};

async function approach(session: Session, head: TrialHead): Promise<Outcome> {
  const { talk, signal } = session;
  talk.say(
    "                                    ____",
    "     [=> - - - - - slowly - - - -> |    |  box of cardboard, empty, 15 cm high",
    "     ______________________________|____|__ flat ground, no edge anywhere",
    "                1 to 1.5 m",
    "",
    "Lay an empty box of cardboard across the way: when the stop fails, nothing breaks. Never try this at stairs.",
    "! Tether the base. A person is at the hardware stop.",
  );
  await talk.enter("Is the box there?");
  const box = await within(
    session,
    (limit) => head.until("reach", edgeAhead, limit),
    `no edge is seen between ${NEAR} and ${FAR} m ahead: put the box there, and look at it in step view`,
  );
  talk.say(
    `The head sees an edge ${box.distance.toFixed(2)} m ahead of the turning point (${box.what}).`,
    "Drive slowly towards it now, and keep asking for speed: the base must stop by itself.",
  );
  const rest = await within(
    session,
    (limit) => standsAfterDrive(head, limit),
    "the base did not drive and stop again; it must send its odometry, or the head must track it",
  );
  // The reach is newer than the rest.
  const last = await head.until("reach", (reach) => reach, signal);
  const room = (last.pace?.roomMm ?? 0) / 1000;
  const pace = last.pace?.forward ?? 0;
  const text = `stood ${room.toFixed(2)} m before the ${box.what} after ${rest.toFixed(2)} m; pace then ${pace.toFixed(2)} m/s`;
  talk.say(text);
  if (!(await talk.askYes("halted")))
    return { result: "failed", text: `${text}, but it did not stop by itself` };
  if (!(room > 0)) return { result: "failed", text: `${text}: no free way was left` };
  if (pace > CRAWL)
    return {
      result: "failed",
      text: `${text}: the head permitted to go on, so something else has stopped the base`,
    };
  return { result: "passed", text };
}

/** The end of the reach straight ahead, where something ends it within sight. */
function edgeAhead({
  distanceMm,
  what,
  first,
  step,
}: Reach): { readonly distance: number; readonly what: string } | undefined {
  const ahead = Math.round(-first / step);
  const index = ((ahead % distanceMm.length) + distanceMm.length) % distanceMm.length;
  const distance = distanceMm[index]! / 1000;
  const isEdge = what[index] === END.obstacle || what[index] === END.brink;
  return isEdge && distance >= NEAR && distance <= FAR
    ? { distance, what: END_NAMES[what[index]!]! }
    : undefined;
}

/** Waits until the base has driven and stands again. @returns the way, metres */
function standsAfterDrive(head: TrialHead, signal: AbortSignal): Promise<number> {
  let start: readonly number[] | null = null;
  let held: { readonly at: number; readonly place: readonly number[] } | null = null;
  return head.until(
    "pose",
    ({ time, worldFromBase: { position } }) => {
      start ??= position;
      if (
        held === null ||
        Math.hypot(position[0]! - held.place[0]!, position[1]! - held.place[1]!) > JITTER
      ) {
        held = { at: time, place: position };
      }
      const way = Math.hypot(position[0]! - start[0]!, position[1]! - start[1]!);
      return way >= DRIVEN && (time - held.at) / 1000 >= STANDS ? way : undefined;
    },
    signal,
  );
}

/** What a person did not do, or a sensor did not see, in time. */
export class NotShown extends Error {
  override readonly name = "NotShown";
}

/** Runs `body` for a limited time. @throws {NotShown} with `why` afterwards */
async function within<T>(
  { signal }: Session,
  body: (limit: AbortSignal) => Promise<T>,
  why: string,
): Promise<T> {
  const end = new AbortController();
  const timer = setTimeout(() => end.abort(new NotShown(why)), 1000 * PATIENCE);
  try {
    return await body(AbortSignal.any([signal, end.signal]));
  } finally {
    clearTimeout(timer);
  }
}
