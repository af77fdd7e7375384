import { WireError } from "../../wire/codec.ts";
import type { Right } from "../../wire/messages.ts";
import type { Session } from "../sockets/session.ts";

/** @throws {WireError} when the client has none of these rights */
export function needRight(session: Session, rights: Right | readonly Right[], kind: string): void {
  const any = typeof rights === "string" ? [rights] : rights;
  if (any.some((right) => session.rights.has(right))) return;
  const list = any.join(" or to ");
  throw new WireError("right", kind, null, `${kind}: it needs a token with the right to ${list}`);
}
