import { misfit } from "./check.ts";
import { decodeValue, restoreBytes, WireError } from "./codec.ts";
import { CLIENT_MESSAGES, type ClientKind, type FromClient } from "./messages.ts";

// Apart from codec.ts, because the compiled checks are made with `new Function`, which a page's policy forbids.

/**
 * Reads and checks a client's message. Binary fields are copies.
 * @throws {WireError} naming the field and what it should be
 */
export function decodeFromClient(data: string | Uint8Array): FromClient {
  const value = decodeValue(data);
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
