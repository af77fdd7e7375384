import { createHash } from "node:crypto";

const CHUNK = 1 << 16;
const NULL = 0;
const FALSE = 1;
const TRUE = 2;
const NUMBER = 3;
const TEXT = 4;
const LIST = 5;
const RECORD = 6;

/**
 * SHA-256 over plain data, exact to the last bit: numbers as their eight bytes, so that Infinity and NaN count, too, and fields by
 * name in the order in which they were made.
 */
export class OutputDigest {
  readonly #hash = createHash("sha256");
  readonly #bytes = Buffer.alloc(CHUNK);
  readonly #view = new DataView(this.#bytes.buffer, this.#bytes.byteOffset, CHUNK);
  #at = 0;

  /** @throws {TypeError} for anything but plain data: null, booleans, numbers, texts, lists, records of these */
  add(value: unknown): void {
    if (typeof value === "number") {
      this.#number(value);
    } else if (typeof value === "string") {
      this.#text(value);
    } else if (Array.isArray(value)) {
      this.#tag(LIST, value.length);
      for (const one of value) {
        if (typeof one === "number") this.#number(one);
        else this.add(one);
      }
    } else if (typeof value === "object" && value !== null) {
      this.#tag(RECORD, 0);
      for (const name in value) {
        this.#text(name);
        this.add((value as Record<string, unknown>)[name]);
      }
      this.#tag(NULL, 1);
    } else if (value === null || typeof value === "boolean") {
      this.#tag(value === null ? NULL : value ? TRUE : FALSE, 0);
    } else {
      throw new TypeError(`${typeof value} in an output`);
    }
  }

  bytes(bytes: Uint8Array): void {
    this.#flush();
    this.#hash.update(bytes);
  }

  /** Hexadecimal; nothing can be added after it. */
  finish(): string {
    this.#flush();
    return this.#hash.digest("hex");
  }

  #number(value: number): void {
    if (this.#at + 9 > CHUNK) this.#flush();
    this.#bytes[this.#at] = NUMBER;
    this.#view.setFloat64(this.#at + 1, value, true);
    this.#at += 9;
  }

  #tag(tag: number, size: number): void {
    if (this.#at + 5 > CHUNK) this.#flush();
    this.#bytes[this.#at] = tag;
    this.#view.setUint32(this.#at + 1, size, true);
    this.#at += 5;
  }

  #text(text: string): void {
    this.#tag(TEXT, text.length);
    if (this.#at + 4 * text.length > CHUNK) this.#flush();
    if (text.length > CHUNK / 4) this.#hash.update(text);
    else if (isShortAscii(text)) {
      for (let i = 0; i < text.length; i++) this.#bytes[this.#at++] = text.charCodeAt(i);
    } else this.#at += this.#bytes.write(text, this.#at);
  }

  #flush(): void {
    this.#hash.update(this.#bytes.subarray(0, this.#at));
    this.#at = 0;
  }
}

/** Field names: a call into the runtime for each would cost more than all the numbers. */
function isShortAscii(text: string): boolean {
  if (text.length > 24) return false;
  for (let i = 0; i < text.length; i++) if (text.charCodeAt(i) > 127) return false;
  return true;
}
