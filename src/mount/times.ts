/**
 * Where a time lies among others, in order: the index of the last that is not after it, and how far on to the next (0 to 1);
 * null outside them.
 */
export function placeIn(
  times: readonly number[],
  time: number,
): readonly [index: number, share: number] | null {
  if (times.length < 2 || time < times[0]! || time > times.at(-1)!) return null;
  let low = 0;
  let high = times.length - 2;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle]! <= time) low = middle;
    else high = middle - 1;
  }
  return [low, (time - times[low]!) / (times[low + 1]! - times[low]!)];
}
