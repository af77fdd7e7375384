/**
 * The head's clock: whole microseconds of the machine's monotonic clock, with which the kernel stamps sensor samples. It does not depend on
 * the wall clock, and is the same in all threads and processes of a machine.
 */
export function headTime(): number {
  const [seconds, nanoseconds] = process.hrtime();
  return seconds * 1e6 + Math.floor(nanoseconds / 1000);
}
