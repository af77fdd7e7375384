import { UsageError } from "./errors.ts";

/** @throws {UsageError} unless there are none */
export function noneExpected(positionals: readonly string[]): void {
  if (positionals.length > 0) throw new UsageError(`"${positionals[0]}" is not expected (see --help)`);
}

/** The one argument. @throws {UsageError} when there is none or are more */
export function oneExpected(positionals: readonly string[], what: string): string {
  if (positionals.length !== 1) throw new UsageError(`expected ${what} (see --help)`);
  return positionals[0]!;
}

/** A number in an option. @throws {UsageError} naming the option */
export function numberOf(name: string, text: string): number {
  const value = Number(text);
  if (text.trim() !== "" && Number.isFinite(value)) return value;
  throw new UsageError(`--${name} must be a number, got "${text}"`);
}

/**
 * Reads an option as a whole number.
 * @throws {UsageError} naming the option and its bounds
 */
export function wholeOption<Name extends string>(
  values: Readonly<Partial<Record<Name, unknown>>>,
  name: Name,
  least: number,
  most = 2 ** 31 - 1,
): number {
  const given = values[name];
  const value = Number(given);
  if (given !== "" && Number.isInteger(value) && value >= least && value <= most) return value;
  throw new UsageError(`--${name} must be a whole number from ${least} to ${most}, got "${given}"`);
}
