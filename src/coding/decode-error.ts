/** The bytes don't follow the format; `offset` is where, from the first byte of the file or block being read. */
export class DecodeError extends Error {
  override readonly name = "DecodeError";
  readonly offset: number;
  constructor(message: string, offset: number) {
    super(`${message} (byte ${offset})`);
    this.offset = offset;
  }
}
