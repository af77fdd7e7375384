/**
 * The head's clock: whole microseconds of the machine's monotonic clock, the one that the kernel stamps sensor samples
 * with. Setting the wall clock does not move it, and all threads and processes of a machine agree on it.
 */
export function headTime(): number {
  const [seconds, nanoseconds] = process.hrtime();
  return seconds * 1e6 + Math.floor(nanoseconds / 1000);
}
