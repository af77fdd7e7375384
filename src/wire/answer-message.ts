import { type Static, Type } from "@sinclair/typebox";
import { MOST_RIMS, NO_WAY_REASONS, SLOW_REASONS } from "../terms/ways.ts";
import { BLOCK_SIDE } from "./blocks.ts";
import { KNOWN_SIDE } from "./known.ts";
import { Id } from "./parts.ts";
import { sent, server } from "./server-message.ts";
import { Age, bytes, Count, type Frozen, Metres, nullable, Pair, Time } from "./shapes.ts";

// Answers to questions about the map.

const Kind = Type.Union([
  Type.Literal("clear"),
  Type.Literal("blocked"),
  Type.Literal("overhang"),
  Type.Literal("open"),
  Type.Literal("unseen"),
]);

const WayPiece = Type.Object(
  {
    from: Type.Tuple([Metres, Metres, Type.Number()], { description: "x, y, heading in the world" }),
    curvature: nullable(Type.Number({ description: "1/m, positive to the left; null turns on the spot" })),
    length: Type.Number({
      description: "metres, negative backwards; on the spot radians, positive to the left",
    }),
  },
  { description: "a part of one curvature" },
);

const Way = Type.Object({
  pieces: Type.Array(WayPiece),
  length: Metres,
  turning: Type.Number({ description: "radians turned on the spot" }),
  room: Type.Number({
    description: "least distance between the outline and what ends the ground, metres, up to 0.3",
  }),
  gap: nullable(
    Type.Object({ point: Pair, width: Metres }, { description: "the narrowest place, in the world" }),
  ),
  slow: Type.Array(
    Type.Object({
      why: Type.Union(SLOW_REASONS.map((why) => Type.Literal(why))),
      from: Metres,
      to: Type.Number({ description: "metres along the way" }),
    }),
  ),
});

const WhyNot = Type.Object({
  why: Type.Union(NO_WAY_REASONS.map((why) => Type.Literal(why))),
  point: Pair,
  footing: nullable(Type.String({ description: "what is there, where that is the reason" })),
  has: nullable(Type.Number({ description: "metres that there are, where they are the reason" })),
  needs: nullable(Type.Number({ description: "metres that the body needs" })),
  text: Type.String({ description: "the reason for a person" }),
});

const Answer = Type.Union([
  Type.Object({
    about: Type.Literal("clearance"),
    distance: nullable(Metres),
    limit: Type.Number({ description: "metres; `distance` is null when nothing stands nearer than this" }),
    column: Kind,
  }),
  Type.Object({
    about: Type.Literal("footing"),
    column: Kind,
    height: nullable(Metres),
    deviation: nullable(Metres),
    seen: nullable(Type.Integer({ description: "map revision that saw this floor last" })),
  }),
  Type.Object({
    about: Type.Literal("evidence"),
    class: Type.Union([Type.Literal("free"), Type.Literal("undecided"), Type.Literal("occupied")]),
    nats: Type.Number({ description: 'log-odds of "occupied" of the voxel at that point; 0 is no evidence' }),
    changed: nullable(
      Type.Object(
        {
          ago: Type.Number({ description: "seconds before the newest frame" }),
          from: Pair,
        },
        { description: "when a voxel of its block last changed class, and where the base was then" },
      ),
    ),
    footing: Type.String({ description: "of the floor below: unseen, firm, gone, doubtful or blocked" }),
    seen: nullable(
      Type.Object(
        {
          ago: Type.Number({ description: "seconds before the newest frame" }),
          from: Pair,
          far: nullable(Type.Number({ description: "metres from the lens" })),
        },
        { description: "when the footing there was seen last, and where the base was then" },
      ),
    ),
  }),
  Type.Object({
    about: Type.Literal("known"),
    age: bytes(
      KNOWN_SIDE ** 2,
      "of each column of blocks, x fastest: 0 never seen, else seconds = 2^((code - 1) / 15) - 1 since its newest evidence",
    ),
    sure: bytes(
      (KNOWN_SIDE * BLOCK_SIDE) ** 2,
      "of each column, x fastest, in runs as in `image`: 0 without a surface, else 1 to 4: odds of its most certain voxel of 4, 10, 20, 50 to 1 and more",
    ),
  }),
  Type.Object({
    about: Type.Literal("wall"),
    point: nullable(Pair),
    spread: nullable(
      Type.Number({
        description:
          "metres, one sigma: spread of single measurements about the face; null, like the point, where there are too few",
      }),
    ),
  }),
  Type.Object({
    about: Type.Union([Type.Literal("line"), Type.Literal("arc")]),
    isFree: Type.Boolean(),
    free: Type.Number({ description: "metres along the way that are free, with floor seen" }),
    what: Type.Integer({ description: "what ends it, a code as in `reach`" }),
  }),
  Type.Object({
    about: Type.Literal("way"),
    way: nullable(Way),
    whyNot: nullable(WhyNot),
  }),
  Type.Object({
    about: Type.Literal("look"),
    next: nullable(
      Type.Object({
        to: Pair,
        heading: Type.Number({ description: "radians, in the world" }),
        gain: Type.Number({ description: "m2 of unseen floor in view from there that the body could reach" }),
        length: Type.Number({ description: "metres to go there, about" }),
        at: Type.Tuple([Type.Number(), Type.Number()], { description: "the middle of that floor" }),
      }),
    ),
    unseen: Type.Number({ description: "m2 of unseen floor that the body could reach if it is firm" }),
    left: Type.Array(
      Type.Object({
        point: Pair,
        length: Type.Number({ description: "metres along the rim of the known floor" }),
        text: nullable(
          Type.String({ description: "why the body cannot go there; null where looks were in vain" }),
        ),
      }),
      {
        maxItems: MOST_RIMS,
        description: "what remains unseen, the longest rim first; empty while there is a next look",
      },
    ),
  }),
]);
export type Answer = Frozen<Static<typeof Answer>>;

export const WayMessage = server("way", "A way to the goal of the topic; sent when it has changed.", {
  ...sent,
  time: Time,
  revision: Count,
  to: Pair,
  way: nullable(Way),
  whyNot: nullable(WhyNot),
});

export const AnswerMessage = server("answer", "Answers `ask`.", {
  ...sent,
  id: Id,
  time: Time,
  age: nullable(Age),
  revision: Count,
  answer: Answer,
});
