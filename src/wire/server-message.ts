import { type TProperties, Type } from "@sinclair/typebox";
import { Age, Time } from "./shapes.ts";

/** The field that all messages of the head have. */
export const sent = {
  sequence: Type.Integer({
    minimum: 1,
    maximum: Number.MAX_SAFE_INTEGER,
    description: "counts up per connection",
  }),
};
/** The fields of messages that stand on what a sensor measured. */
export const evidence = { ...sent, time: Time, age: Age };

/** A message of the head. Unlike a client's, it may have fields that the receiver does not know. */
export const server = <K extends string, T extends TProperties>(kind: K, description: string, fields: T) =>
  Type.Object({ kind: Type.Literal(kind), ...fields }, { $id: kind, description });
