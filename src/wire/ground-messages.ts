import { Type } from "@sinclair/typebox";
import { CURVATURES, END, REACH_STATES, VERDICTS } from "../terms/safety.ts";
import { DirectionShape } from "./parts.ts";
import { evidence, sent, server } from "./server-message.ts";
import { bytes, nullable, Pair, Time } from "./shapes.ts";

// The ground around the base: free distances, paces, edges, and cells.

const Speed = Type.Number({ minimum: 0, description: "m/s" });
const Turn = Type.Number({ minimum: 0, description: "rad/s" });
const Limit = Type.Object(
  {
    cause: Type.Integer({
      minimum: 0,
      description: `a code as in \`what\`, ${END.unlooked} (nothing farther was looked at), ${END.unplaced} (the place of the base is not known), or ${END.slowZone} (a slow zone of \`guard.slowIn\`)`,
    }),
    bearing: Type.Number({ description: "radians: where it is from the base's floor point" }),
    distanceMm: Type.Integer({ minimum: 0, description: "way until the outline meets it" }),
    outline: Pair,
    ageMs: nullable(
      Type.Integer({ minimum: 0, description: "since that ground was last seen; null when never" }),
    ),
    area: Type.Optional(
      Type.String({
        description:
          "the name of the area that keeps the base out, or of the zone in which it drives slowly, where that is the cause",
      }),
    ),
  },
  {
    description:
      "what keeps `forward` below the top speed: `outline` is the point of the body that meets it, metres of the base; null: nothing",
  },
);
/** Also of the baseline's head, in `baseline`. */
export const Pace = Type.Object(
  {
    forward: Speed,
    backward: Speed,
    left: Turn,
    right: Turn,
    arcsForward: Type.Array(Speed, { description: `along arcs of curvature ${CURVATURES.join(", ")} 1/m` }),
    arcsBackward: Type.Array(Speed),
    isWayOut: Type.Boolean({
      description:
        "the body is shut in: it may go back or turn at a crawl, over ground where it has stood, and past remembered obstacles where no sensor looks now",
    }),
    roomMm: Type.Integer({
      minimum: 0,
      description: "free way straight ahead of the footprint; no more than was looked at",
    }),
    limit: nullable(Limit),
  },
  { description: "highest speeds from which the base still stops on free, firm ground" },
);

/** Messages of the head about the ground around the base. */
export const GROUND_MESSAGES = {
  reach: server("reach", "Free distance per bearing of the base, what ends it, and the paces.", {
    ...evidence,
    until: Type.Integer({
      description: "microseconds of the head's clock: end of validity of the pace; then the base stops",
    }),
    frame: Type.Integer({ description: "the sensor's own number of the newest frame in it" }),
    state: Type.Union(
      REACH_STATES.map((state) => Type.Literal(state)),
      {
        description:
          "anything but `clear` and `dark` (little floor shows): stop; `waiting`: no frame has been judged yet; `unconfigured`: body.footprint, body.deceleration or body.reactionDelay of this base were never set",
      },
    ),
    source: Type.Union([Type.Literal("frame"), Type.Literal("memory"), Type.Literal("map")], {
      description:
        "source of the evidence: the newest frame alone, frame and memory, or the map's obstacles and floor alone",
    }),
    first: Type.Number({ description: "radians, the first bearing; 0 is ahead, positive to the left" }),
    step: Type.Number({ description: "radians between bearings" }),
    range: Type.Integer({ description: "millimetres looked at most" }),
    distanceMm: Type.Array(Type.Integer({ minimum: 0 })),
    what: Type.Array(Type.Integer({ minimum: 0 }), {
      description:
        "0 unseen, 1 doubtful, 2 brink, 3 obstacle, 4 overhang, 5 open, 7 late (the sensor that looks there is silent), " +
        "8 blind (it sees no floor), 9 frozen (a stream repeats old data), 11 kept out (the border of an area of `guard.keepOut`)",
    }),
    agesMs: nullable(
      Type.Array(Type.Integer({ minimum: 0, maximum: 65535 }), {
        description: "since the ground before the end was last seen; 65535: longer ago, or never",
      }),
    ),
    viewMs: nullable(
      Type.Array(Type.Integer({ minimum: 0, maximum: 65535 }), {
        description:
          "since a sensor that looks there had a view of the floor; 65535: longer ago, or no sensor looks there",
      }),
    ),
    pace: nullable(Pace),
    waiver: nullable(
      Type.Object(
        { direction: DirectionShape, reason: Type.String(), left: Type.Number({ description: "seconds" }) },
        { description: "the override in force; it changes no other number" },
      ),
    ),
  }),
  brinks: server("brinks", "Edges of the floor near the base.", {
    ...sent,
    time: Time,
    brinks: Type.Array(
      Type.Object({
        points: Type.Array(Pair, { description: "along the edge, in the world" }),
        drop: nullable(Type.Number({ description: "metres; null when no bottom was seen" })),
        confidence: Type.Number({ minimum: 0, maximum: 1 }),
        error: Type.Number({ description: "metres, 1 sigma, across the edge" }),
      }),
    ),
  }),
  ground: server("ground", "The floor around the base, cell by cell, as the guard remembers it.", {
    ...sent,
    time: Time,
    col: Type.Integer({ description: "of the first cell: its corner is at (col, row) * cell in the world" }),
    row: Type.Integer(),
    width: Type.Integer({ minimum: 1, description: "cells along x" }),
    height: Type.Integer({ minimum: 1, description: "cells along y" }),
    cell: Type.Number({ description: "metres" }),
    floor: Type.Number({ description: "metres: z of the floor under the base" }),
    cells: bytes(2 ** 20, "runs as in `image`, x fastest; 0 unseen, 1 firm, 2 gone, 3 doubtful, 4 blocked"),
  }),
  finding: server("finding", "The head's assessment of a floorcheck.", {
    ...sent,
    time: Time,
    point: Pair,
    alarm: Type.Boolean(),
    verdict: Type.Union(VERDICTS.map((name) => Type.Literal(name))),
    footing: Type.String({ description: "of that place: unseen, firm, gone, doubtful or blocked" }),
    seenAge: nullable(Type.Number({ description: "seconds since it was seen" })),
    far: nullable(Type.Number({ description: "metres from which it was seen" })),
  }),
} as const;
