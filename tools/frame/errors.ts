/** Wrong use: an option or argument that makes no sense; the message names it and says what is allowed. */
export class UsageError extends Error {
  override readonly name = "UsageError";
}
