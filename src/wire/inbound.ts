import { MsgpackReader } from "../coding/msgpack.ts";
import { misfit } from "./check.ts";
import { decodeValue, restoreBytes, WireError } from "./codec.ts";
import { CLIENT_MESSAGES, type ClientKind, type FromClient } from "./messages.ts";

// Separate from codec.ts, because compiled checks use `new Function`, which the page's content policy forbids.

/** Most values in one message of a client; the longest have a few hundred. A value takes one byte on the wire and tens in memory. */
const MOST_VALUES = 20_000;
const reader = new MsgpackReader(MOST_VALUES);
/** A text of at most this many characters cannot hold too many values. */
const SHORT = 2 * MOST_VALUES;

/** The same for JSON: each value but the first follows one of these, and base64 has none of them. */
function hasTooManyValues(text: string): boolean {
  if (text.length <= SHORT) return false;
  let values = 0;
  for (let i = 0; i < text.length; i++) {
    const code = text.charCodeAt(i);
    if (code === COMMA || code === OPEN_ARRAY || code === OPEN_OBJECT) values++;
  }
  return values > MOST_VALUES;
}
const COMMA = 0x2c;
const OPEN_ARRAY = 0x5b;
const OPEN_OBJECT = 0x7b;

/**
 * Reads and checks a client's message. Binary fields are copies.
 * @throws {WireError} naming the field and what it should be
 */
export function decodeFromClient(data: string | Uint8Array): FromClient {
  if (typeof data === "string" && hasTooManyValues(data)) {
    throw new WireError("malformed", "", null, `JSON: the message has more than ${MOST_VALUES} values`);
  }
  const value = decodeValue(data, reader);
  const { kind, id } = value as { kind?: unknown; id?: unknown };
  const reply =
    Number.isInteger(id) && (id as number) >= 0 && (id as number) < 2 ** 31 ? (id as number) : null;
  if (typeof kind !== "string" || !Object.hasOwn(CLIENT_MESSAGES, kind)) {
    const known = Object.keys(CLIENT_MESSAGES).join(", ");
    const given = (JSON.stringify(kind) ?? "missing").slice(0, 60);
    throw new WireError("unfit", "", reply, `kind must be one of ${known}; got ${given}`);
  }
  const schema = CLIENT_MESSAGES[kind as ClientKind];
  if (typeof data === "string") restoreBytes(schema, value);
  const why = misfit(schema, value);
  if (why !== null) throw new WireError("unfit", kind, reply, `${kind}: ${why}`);
  return value as unknown as FromClient;
}
