/**
 * Reads an option as a whole number.
 * @throws {RangeError} naming the option and its bounds
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
  throw new RangeError(`--${name} must be a whole number from ${least} to ${most}, got "${given}"`);
}
