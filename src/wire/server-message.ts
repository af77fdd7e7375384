import { type TProperties, Type } from "@sinclair/typebox";
import { Age, Time } from "./shapes.ts";

/** The common field of all messages of the head. */
export const sent = {
  sequence: Type.Integer({
    minimum: 1,
    maximum: Number.MAX_SAFE_INTEGER,
    description: "counts up per connection",
  }),
};
/** The fields of messages with evidence of a sensor. */
export const evidence = { ...sent, time: Time, age: Age };

/** A message of the head. Unlike a client's, it may have fields that the receiver does not know. */
export const server = <K extends string, T extends TProperties>(kind: K, description: string, fields: T) =>
  Type.Object({ kind: Type.Literal(kind), ...fields }, { $id: kind, description });
