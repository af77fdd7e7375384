import { beforeEach, expect, test } from "vitest";
import { Governor } from "../../src/service/sensing/governor.ts";

const INTERVAL = 33_000;
let governor: Governor;
let arrival = 0;
beforeEach(() => {
  governor = new Governor();
  arrival = 0;
});

/** `frames` that each take so much, so many before each never seen, while the thread's timer is so late. */
function run(frames: number, { cost = 3000, missed = 0, late = 300 }): void {
  for (let n = 0; n < frames; n++) {
    arrival += INTERVAL * (1 + missed);
    if (n % 3 === 0) governor.beat(late);
    governor.add(arrival, cost, missed);
  }
}

test("with time to spare every frame is mapped", () => {
  run(300, {});
  expect(governor.shed).toBe(0);
});

test("frames that take all the time there is are mapped less often, and often again when they do not", () => {
  run(16, { cost: 32_000 });
  expect(governor.shed).toBe(1);
  run(200, { cost: 32_000 });
  expect(governor.shed).toBe(4); // one frame in 16, never none
  run(300, { cost: 6000 });
  expect(governor.shed).toBe(0);
});

test("what is between enough and too little changes nothing", () => {
  run(16, { cost: 32_000 });
  run(300, { cost: 20_000 });
  expect(governor.shed).toBe(1);
});

test("a thread that others hold back sheds, although its own frames are cheap", () => {
  run(31, { missed: 1, late: 12_000 });
  expect(governor.shed).toBe(2);
  run(200, { late: 12_000 }); // all frames are seen again
  expect(governor.shed).toBe(0);
});

test("one frame in sixteen that was never seen, with a late timer, is enough", () => {
  for (let window = 0; window < 2; window++) {
    run(14, { late: 12_000 });
    run(1, { missed: 1, late: 12_000 });
  }
  run(1, { late: 12_000 }); // the first frame of all only starts the clock
  expect(governor.shed).toBe(2);
});

test("shedding that resumes soon after it ended takes longer to end again", () => {
  const untilBack = () => {
    let frames = 0;
    for (; governor.shed > 0; frames++) run(1, {});
    return frames;
  };
  const overload = () => run(16, { cost: 32_000 });
  overload();
  const first = untilBack();
  overload();
  const second = untilBack();
  overload();
  const third = untilBack();
  expect(second).toBeGreaterThan(1.5 * first);
  expect(third).toBeGreaterThan(1.5 * second);
  // All is forgotten after a long time without.
  run(900, {});
  overload();
  expect(untilBack()).toBeLessThanOrEqual(first + 15);
});

test("a sensor that leaves frames out is no reason to map less", () => {
  run(300, { missed: 1 });
  expect(governor.shed).toBe(0);
});
