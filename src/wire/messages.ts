import type { Static, TSchema } from "@sinclair/typebox";
import { CLIENT_MESSAGES } from "./client-messages.ts";
import type { Role } from "./parts.ts";
import { SERVER_MESSAGES } from "./server-messages.ts";
import type { Frozen } from "./shapes.ts";

// Every message, once: types, checks, and the AsyncAPI description derive from the shapes in client-messages.ts and
// server-messages.ts, and those that it combines. docs/protocol.md explains how they work together.

export type { Answer } from "./answer-message.ts";
export {
  type PlacedGoal,
  type PlacedQuestion,
  type Question,
  RecordingName,
  TOPICS,
  type Topic,
  type WayGoal,
} from "./client-messages.ts";
export { type Origin, RIGHTS, type Right, ROLES, type Role } from "./parts.ts";
export type { MomentKind } from "./recording-messages.ts";
export type { ErrorCode, SettingRow } from "./server-messages.ts";
export { CLIENT_MESSAGES, SERVER_MESSAGES };

/** WebSocket sub-protocol. An incompatible change gets another number. */
export const SUBPROTOCOL = "brinkmap.1";
/** Path of the endpoint. */
export const ENDPOINT = "/live";

type Shapes<T extends Readonly<Record<string, TSchema>>> = { [K in keyof T]: Frozen<Static<T[K]>> };
type ClientShapes = Shapes<typeof CLIENT_MESSAGES>;
type ServerShapes = Shapes<typeof SERVER_MESSAGES>;
export type ClientKind = keyof ClientShapes;
export type ServerKind = keyof ServerShapes;
/** A message by its kind. */
export type FromClient<K extends ClientKind = ClientKind> = ClientShapes[K];
export type FromServer<K extends ServerKind = ServerKind> = ServerShapes[K];
/** A message before the fields of its transmission (sequence, age) are added. */
export type Draft<K extends ServerKind = ServerKind> = K extends ServerKind
  ? Omit<ServerShapes[K], "sequence" | (K extends "reach" | "pose" ? "age" : never)>
  : never;

/** Which kinds a role may send, beside `hello`. */
const EVERYONE = ["seen", "clock", "subscribe", "ask", "settings", "map", "mark", "keep"] as const;
export const ALLOWED: Readonly<Record<Role, ReadonlySet<ClientKind>>> = {
  watcher: new Set([...EVERYONE, "play", "open"] as const),
  base: new Set([...EVERYONE, "motion", "knock", "floorcheck", "waiver", "mount", "drive"] as const),
  sensor: new Set([...EVERYONE, "depth", "orientation", "inertial", "reference", "mount"] as const),
};
