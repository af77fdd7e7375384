import { TypeGuard } from "@sinclair/typebox";
import { Packr } from "msgpackr";
import { DecodeError } from "../coding/decode-error.ts";
import { MsgpackReader } from "../coding/msgpack.ts";
import { type Draft, type ErrorCode, type FromClient, type FromServer, SERVER_MESSAGES } from "./messages.ts";

/** How a connection is spoken: MessagePack in binary messages, or JSON in text messages. */
export type Form = "binary" | "text";

/** The bytes are not a message; `about` is its kind as far as it could be read. */
export class WireError extends Error {
  override readonly name = "WireError";
  readonly code: ErrorCode;
  readonly about: string;
  readonly id: number | null;
  constructor(code: ErrorCode, about: string, id: number | null, message: string) {
    super(message);
    this.code = code;
    this.about = about;
    this.id = id;
  }
}

// Maps with the shortest header, no extensions: any MessagePack library reads them.
const packr = new Packr({ useRecords: false, variableMapSize: true });
const ofHead = new MsgpackReader();

const toBase64 = (bytes: Uint8Array): string => {
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  return btoa(text);
};

function fromBase64(text: string): Uint8Array | null {
  try {
    return Uint8Array.from(atob(text), (char) => char.charCodeAt(0));
  } catch {
    return null;
  }
}

const stringify = (value: object): string =>
  JSON.stringify(value, function (this: Record<string, unknown>, key, item) {
    const own = this[key]; // the value without Buffer's own toJSON
    return own instanceof Uint8Array ? toBase64(own) : (item as unknown);
  });

/**
 * A message that is encoded once for all receivers; the fields that differ, sequence number and age, are appended.
 * MessagePack maps and JSON objects both allow that without touching the rest.
 */
export class SharedMessage {
  readonly #draft: Draft;
  #packed: { readonly fields: number; readonly rest: Uint8Array } | null = null;
  #text: string | null = null;

  constructor(draft: Draft) {
    this.#draft = draft;
  }

  get kind(): Draft["kind"] {
    return this.#draft.kind;
  }

  /**
   * @param now microseconds of the head's clock, for the age of messages with evidence
   * @returns text for a text message, bytes for a binary one
   */
  finish(form: Form, sequence: number, now: number): string | Uint8Array {
    const draft = this.#draft;
    const hasAge = draft.kind === "reach" || draft.kind === "pose";
    const age = hasAge ? Math.max(0, now - draft.time) : 0;
    if (form === "text") {
      this.#text ??= stringify(draft).slice(0, -1);
      return `${this.#text}${hasAge ? `,"age":${age}` : ""},"sequence":${sequence}}`;
    }
    this.#packed ??= withoutHeader(packr.pack(draft));
    const { fields, rest } = this.#packed;
    const tail = withoutHeader(packr.pack(hasAge ? { age, sequence } : { sequence }));
    const count = fields + tail.fields;
    const head = count < 16 ? [0x80 | count] : [0xde, count >> 8, count & 255];
    const out = new Uint8Array(head.length + rest.length + tail.rest.length);
    out.set(head);
    out.set(rest, head.length);
    out.set(tail.rest, head.length + rest.length);
    return out;
  }
}

function withoutHeader(packed: Uint8Array): { fields: number; rest: Uint8Array } {
  // The shared pool that `pack` writes into is not written twice, but it is better not kept alive by a slow client.
  const first = packed[0]!;
  if (first >> 4 === 0x8) return { fields: first & 15, rest: packed.slice(1) };
  return { fields: (packed[1]! << 8) | packed[2]!, rest: packed.slice(3) };
}

/** A client's message, encoded for the wire. */
export function encodeForServer(message: FromClient, form: Form): string | Uint8Array {
  return form === "text" ? stringify(message) : new Uint8Array(packr.pack(message));
}

/** @throws {WireError} "malformed" when the bytes are not a value, or the value is not a map */
export function decodeValue(data: string | Uint8Array, reader: MsgpackReader): Record<string, unknown> {
  let value: unknown;
  try {
    if (typeof data === "string") value = JSON.parse(data);
    else {
      reader.reset(data, 0, data.length, 0);
      value = reader.value("message");
      if (reader.left > 0) reader.fail(`${reader.left} bytes left over after the message`);
    }
  } catch (error) {
    const why =
      error instanceof DecodeError || error instanceof SyntaxError ? error.message : "cannot be read";
    throw new WireError(
      "malformed",
      "",
      null,
      `${typeof data === "string" ? "JSON" : "MessagePack"}: ${why}`,
    );
  }
  if (typeof value !== "object" || value === null || Array.isArray(value) || value instanceof Uint8Array) {
    throw new WireError("malformed", "", null, "a message is a map with a `kind`");
  }
  return value as Record<string, unknown>;
}

/** Base64 text where the schema has bytes. */
export function restoreBytes(schema: object, value: Record<string, unknown>): void {
  const properties = (schema as { properties: Record<string, { anyOf?: object[] }> }).properties;
  for (const [name, field] of Object.entries(properties)) {
    const text = value[name];
    if (typeof text !== "string") continue;
    const isBytes = TypeGuard.IsUint8Array(field) || field.anyOf?.some((one) => TypeGuard.IsUint8Array(one));
    if (isBytes) value[name] = fromBase64(text) ?? text;
  }
}

/**
 * Reads a message of the head. Kinds not known here come back as null: a newer head may have more.
 * Messages are not checked against schemas, because the head is trusted; so a page needs no schema checker.
 * @throws {WireError} when it is not a message
 */
export function decodeFromServer(data: string | Uint8Array): FromServer | null {
  const value = decodeValue(data, ofHead);
  const { kind } = value as { kind?: unknown };
  if (typeof kind !== "string" || !Object.hasOwn(SERVER_MESSAGES, kind)) return null;
  if (typeof data === "string") restoreBytes(SERVER_MESSAGES[kind as keyof typeof SERVER_MESSAGES], value);
  return value as unknown as FromServer;
}
