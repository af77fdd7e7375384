import { Type } from "@sinclair/typebox";
import { CURVE_BYTES } from "./curve.ts";
import { Pace } from "./ground-messages.ts";
import { sent, server } from "./server-message.ts";
import { bytes, Count, nullable, Time, Triple } from "./shapes.ts";

/** Kinds of events in a recording. */
const MOMENTS = [
  "knock",
  "brink",
  "stop",
  "slow",
  "lost",
  "found",
  "waiver",
  "gap",
  "mark",
  "floorcheck",
  "sight",
  "track",
] as const;
export type MomentKind = (typeof MOMENTS)[number];

/** Most bytes of a curve: 1.6 hours at 30 frames per second. */
const MOST_CURVE = 2 ** 22;

/** Messages of a head that plays a recording. */
export const RECORDING_MESSAGES = {
  playing: server("playing", "Position in the recording that the head plays.", {
    ...sent,
    time: Time,
    at: Type.Integer({ minimum: 0, description: "microseconds from its start to the newest frame shown" }),
    frame: Type.Integer({ minimum: 0, description: "number of frames up to there, inclusive" }),
    speed: Type.Number({ description: "0: paused" }),
    repeat: Type.Boolean(),
    goal: nullable(
      Type.Integer({
        description:
          "target of the head's run, from the start if necessary; meanwhile the old place is shown",
      }),
    ),
    share: Type.Number({ minimum: 0, maximum: 1, description: "share of the run to `goal`" }),
    moved: nullable(
      Type.Object(
        { session: Type.String(), by: Type.String({ description: "its name, and its network address" }) },
        {
          description: "the client that last moved, paused or resumed the playback, or opened the recording",
        },
      ),
    ),
    map: Type.Object(
      { epoch: Type.String(), change: Count },
      {
        description:
          "the newest change of the map so far, as in `patch`: of a paused recording, a map up to this change is the whole map of this frame",
      },
    ),
  }),
  baseline: server("baseline", "The head's output for the same frame with the baseline settings.", {
    ...sent,
    time: Time,
    frame: Type.Integer({ description: "as in `playing`" }),
    changes: Type.Array(
      Type.Object({
        name: Type.String(),
        baseline: Type.Union([Type.Number(), Type.String()]),
        now: Type.Union([Type.Number(), Type.String()]),
      }),
      { description: "settings that differ from the baseline; empty: nothing is compared" },
    ),
    reach: nullable(
      Type.Object(
        {
          state: Type.String(),
          first: Type.Number(),
          step: Type.Number(),
          range: Type.Integer(),
          distanceMm: Type.Array(Type.Integer({ minimum: 0 })),
          what: Type.Array(Type.Integer({ minimum: 0 })),
          pace: nullable(Pace),
        },
        { description: "fields as in `reach`; null: the baseline's head has not reached this frame yet" },
      ),
    ),
    position: nullable(Triple),
    class: nullable(Type.String()),
  }),
  recording: server("recording", "The recording that the head plays, and its events.", {
    ...sent,
    name: Type.String(),
    length: Type.Integer({ description: "microseconds" }),
    frames: Count,
    moments: Type.Array(
      Type.Object({
        at: Type.Integer({ description: "microseconds from the start" }),
        what: Type.Union(
          MOMENTS.map((name) => Type.Literal(name)),
          {
            description:
              "events of the head's own outputs are complete up to `known`; `stop` and `slow` (below half of the top speed) begin a stretch",
          },
        ),
        text: Type.String(),
      }),
    ),
    known: Type.Number({
      minimum: 0,
      maximum: 1,
      description: "of the frames, the share that a second head has run through ahead of what is shown",
    }),
    curve: bytes(
      MOST_CURVE,
      `of each of those frames ${CURVE_BYTES} bytes, little-endian: milliseconds from the start (u32), pace forward (mm/s, u16), ` +
        "free way straight ahead (mm, u16), what limits the pace (u8, as in `reach`; 255: nothing), state (u8, its place in the list), " +
        "time since the ground that limits the pace was seen (ms, u16; 65535: longer ago or never, or nothing limits it), the head's work on the frame (u8, per cent of " +
        "the frame interval; 255: as much or more), and the place of the base: x, y in the world (mm, i32 each; x -2147483648: not known) and " +
        "heading (1/10000 rad, i16)",
    ),
    before: nullable(
      Type.Object(
        { known: Type.Number({ minimum: 0, maximum: 1 }), curve: bytes(MOST_CURVE, "as `curve` above") },
        { description: "the same with the baseline settings; null: nothing is compared" },
      ),
    ),
    world: Type.Union([Type.Literal("reference"), Type.Literal("start")], {
      description:
        "what defines the world of map and places: reference poses in the recording, or the place of the base at its start",
    }),
    lost: Type.Array(
      Type.Object({
        from: nullable(
          Type.Integer({ description: "microseconds from the start: the last event before it" }),
        ),
        to: nullable(Type.Integer({ description: "the first event after it; null: to the end" })),
        bytes: Count,
        why: Type.String(),
      }),
      { description: "parts of a damaged recording that cannot be read" },
    ),
    names: Type.Array(Type.String(), { description: "recordings that `open` takes" }),
    most: nullable(Type.Integer({ description: "largest upload in bytes; null: uploads are off" })),
  }),
} as const;
