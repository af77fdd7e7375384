import { type Static, Type } from "@sinclair/typebox";
import { Id } from "./parts.ts";
import { sent, server } from "./server-message.ts";
import { Age, Count, type Frozen, Metres, nullable, Pair, Time } from "./shapes.ts";

// Answers to questions about the map.

const Kind = Type.Union([
  Type.Literal("clear"),
  Type.Literal("blocked"),
  Type.Literal("overhang"),
  Type.Literal("open"),
  Type.Literal("unseen"),
]);

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
    about: Type.Union([Type.Literal("line"), Type.Literal("arc")]),
    isFree: Type.Boolean(),
    free: Type.Number({ description: "metres along the way that are free, with floor seen" }),
    what: Type.Integer({ description: "what ends it, a code as in `reach`" }),
  }),
]);
export type Answer = Frozen<Static<typeof Answer>>;

export const AnswerMessage = server("answer", "Answers `ask`.", {
  ...sent,
  id: Id,
  time: Time,
  age: nullable(Age),
  revision: Count,
  answer: Answer,
});
