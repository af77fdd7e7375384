import { expect, test } from "vitest";
import type { ClearedMap } from "../../src/head/head.ts";
import { LastCleared } from "../../src/service/sensing/last-cleared.ts";

test("a cleared map is kept for a minute, and only the last one", () => {
  const [first, second] = [{}, {}] as unknown as ClearedMap[];
  const cleared = new LastCleared();
  expect(() => cleared.take(0)).toThrow("no map to bring back");
  cleared.keep(first!, [], 0);
  cleared.keep(second!, [], 10e6);
  expect(cleared.take(69e6).map).toBe(second);
  expect(() => cleared.take(69e6)).toThrow(RangeError);
  cleared.keep(first!, [], 70e6);
  expect(() => cleared.take(130e6)).toThrow("none was cleared in the last 60 s");
});
