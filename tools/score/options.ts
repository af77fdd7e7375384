/**
 * Reads an option as a whole number.
 * @throws {RangeError} naming the option and its least value
 */
export function wholeOption<Name extends string>(
  values: Readonly<Record<Name, unknown>>,
  name: Name,
  least: number,
): number {
  const value = Number(values[name]);
  if (Number.isInteger(value) && value >= least && value < 2 ** 31) return value;
  throw new RangeError(`--${name} must be a whole number from ${least}, got "${values[name]}"`);
}
