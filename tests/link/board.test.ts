import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, expect } from "vitest";
import type { Frame } from "../../src/link/frames.ts";
import type { FrameKind } from "../../src/link/layouts.ts";
import { WIRE_OLD } from "../../src/terms/freshness.ts";
import { BoardScript, compileBoard, compileExample, type Step } from "../helpers/motor-board-c.ts";
import { testWith } from "../helpers/needs.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-board-"));
afterAll(() => rmSync(folder, { recursive: true }));

const compiled = new Map<string, string>();
/** The path of a compiled program. */
function program(name: string): string {
  const path = compiled.get(name) ?? compileBoard(name, folder);
  compiled.set(name, path);
  return path;
}

const rule = (name: string, fn: () => void): void => testWith("compiler", name, fn);
const run = (script: BoardScript) => script.run(program("rules"));
const last = (steps: readonly Step[]): Step => steps.at(-1)!;
const of = <K extends FrameKind>(frames: readonly Frame[], kind: K): Frame<K>[] =>
  frames.filter((frame): frame is Frame<K> => frame.contents.kind === kind);
/** A board that drives ahead at full pace. */
const driving = (): BoardScript => new BoardScript().clock().drive(3000, 2000);

rule("the board's checksum is the published one", () => {
  // RFC 3720, appendix B.4; the first is the usual check value of CRC-32C.
  const script = new BoardScript().line(`crc ${Buffer.from("123456789").toString("hex")}`);
  script.line(`crc ${"00".repeat(32)}`).line(`crc ${"ff".repeat(32)}`);
  expect(run(script).text("crc")).toEqual(["e3069283", "8a9136aa", "62a8ab43"]);
});

rule("the example for a board compiles without a warning, and has at most 150 lines", () => {
  compileExample(folder);
  const text = readFileSync(fileURLToPath(new URL("../../motor-board/example.c", import.meta.url)), "utf8");
  expect(text.split("\n").length).toBeLessThanOrEqual(150);
});

rule("200,000 hostile frames move nothing, and harm no memory", () => {
  for (const seed of [1, 2]) {
    const { status, stdout, stderr } = spawnSync(program("hostile"), [`${seed}`, "100000"], {
      encoding: "utf8",
    });
    expect(stdout + stderr).toMatch(/^100000 hostile frames, no motion; /);
    expect(status).toBe(0);
  }
});

rule("it reaches the pace by its acceleration and no more, whatever is wanted", () => {
  const { steps } = run(driving());
  expect(steps[100]!.forward).toBeGreaterThan(470); // 500 mm/s2 for a second
  expect(steps[100]!.forward).toBeLessThanOrEqual(505);
  expect(last(steps)).toEqual({ forward: 1000, turn: 0, stop: "none" });
  expect(Math.max(...steps.map(({ forward }) => forward))).toBe(1000);
});

rule("when the pace falls it brakes at least as hard as declared", () => {
  const { steps } = run(driving().drive(400, 2000, 0, { forward: 500 }));
  const falling = steps.slice(300).map(({ forward }) => forward);
  falling.forEach((forward, i) => {
    // 700 mm/s2: 7 mm/s in a period of 10 ms; 0.2 % for rounding in each.
    expect(forward).toBeLessThanOrEqual(Math.max(500, 1000 - 0.998 * 7 * (i + 1) + 1));
  });
});

rule("without a pace for 60 ms it brakes to a stop, and says why", () => {
  const script = driving();
  for (let t = 0; t < 2000; t += 10) script.wait(10).step(2000);
  const { steps } = run(script);
  const silent = steps.slice(300);
  // The last pace was sent 10 ms before the last step of the drive.
  expect(silent.findIndex(({ stop }) => stop === "silence")).toBe((1000 * WIRE_OLD) / 10 - 1);
  expect(silent[5 + 150]!.forward).toBeLessThanOrEqual(0); // 1000 mm/s at 700 mm/s2: 1.43 s
});

rule("a pace whose validity has ended is a stop, though frames go on", () => {
  const { steps } = run(driving().drive(100, 2000, 0, { remaining: 0 }));
  expect(last(steps).stop).toBe("silence");
});

rule("any state but clear and dark is a stop", () => {
  for (let state = 0; state < 10; state++) {
    const { steps } = run(driving().drive(2000, 2000, 0, { state }));
    expect(last(steps)).toEqual(
      state < 2 ? { forward: 1000, turn: 0, stop: "none" } : { forward: 0, turn: 0, stop: "state" },
    );
  }
});

rule("before the clocks are compared nothing moves, because no age can be checked", () => {
  const script = new BoardScript();
  for (let t = 0; t < 500; t += 10) script.wait(10).pace().step(500);
  expect(new Set(run(script).steps.map(({ forward, stop }) => `${forward} ${stop}`))).toEqual(
    new Set(["0 clock"]),
  );
});

rule("a frame that took longer than 60 ms is refused and counted", () => {
  const script = new BoardScript().clock().wait(100);
  const late = { sent: script.now + 1_000_000 - 61_000 };
  script.pace({}, late).step(500).wait(10).step(500).line("counts");
  const answers = run(script);
  expect(last(answers.steps)).toEqual({ forward: 0, turn: 0, stop: "silence" });
  expect(answers.numbers("counts")).toEqual([[1, 0]]);
  const fresh = run(
    new BoardScript()
      .clock()
      .wait(100)
      .pace({}, { sent: late.sent + 2000 })
      .step(500)
      .wait(10)
      .step(500),
  );
  // Sent 59 ms before it came, it holds for one more millisecond.
  expect(fresh.steps.map(({ stop }) => stop)).toEqual(["none", "silence"]);
});

rule("repeated and older frames are refused; after half a second of silence a head may count anew", () => {
  const script = new BoardScript().clock().wait(10).pace({ forward: 300 }, { sequence: 1000 });
  script.pace({ forward: 900 }, { sequence: 1000 }).pace({ forward: 900 }, { sequence: 7 }).line("counts");
  for (let t = 0; t < 600; t += 10) script.wait(10).step(0);
  script.clock().pace({ forward: 400 }).line("counts");
  for (let t = 0; t < 20; t += 10) script.wait(10).step(500);
  const answers = run(script);
  expect(answers.numbers("counts")).toEqual([
    [2, 0],
    [2, 0],
  ]);
  expect(last(answers.steps).stop).toBe("none");
});

rule("frames of a head that plays a recording stop it", () => {
  const script = driving();
  for (let t = 0; t < 2000; t += 10) script.wait(10).pace({}, { flags: 1 }).step(500);
  const { steps } = run(script);
  expect(steps[300]!.stop).toBe("played");
  expect(last(steps).forward).toBe(0);
});

rule(
  "a contact stops it in the same period, before anything is sent, and is told once however it chatters",
  () => {
    const script = driving().wait(3).line("contact 0 1").line("motion").wait(7).step(2000);
    // A spring that chatters for 0.4 s, each 5 ms.
    for (let i = 0; i < 80; i++)
      script
        .wait(5)
        .line(`contact 0 ${i % 2}`)
        .line("send");
    const answers = run(script);
    expect(answers.numbers("motion")).toEqual([[0, 0]]);
    expect(last(answers.steps)).toEqual({ forward: 0, turn: 0, stop: "contact" });
    const contacts = of(answers.sent, "contact");
    expect(contacts).toHaveLength(5); // the same knock, repeated because frames may be lost
    expect(new Set(contacts.map(({ contents }) => contents.knock)).size).toBe(1);
    expect(contacts[0]!.contents).toMatchObject({ contact: 0, x: 200, y: 100, z: 50 });
    // When it happened: the age counts from the first edge.
    const { sent, age } = contacts.at(-1)!.stamp;
    expect(sent - age).toBeGreaterThanOrEqual(5_000_000 + 3_003_000 - 1000);
    expect(sent - age).toBeLessThan(5_000_000 + 3_003_000 + 20_000);
  },
);

rule(
  "after a contact in front it may back off straight, but not go ahead or turn, until a second has passed",
  () => {
    const after = (forward: number, turn: number) =>
      last(run(driving().line("contact 0 1").drive(500, forward, turn)).steps);
    expect(after(500, 0).forward).toBe(0);
    expect(after(0, 500).turn).toBe(0);
    expect(after(-300, 0).forward).toBeLessThan(-200);
    expect(last(run(driving().line("contact 0 1").drive(1500, 300)).steps).forward).toBeGreaterThan(200);
    const behind = run(driving().line("contact 2 1").drive(500, -300)).steps;
    expect(last(behind).forward).toBe(0);
  },
);

rule("a contact that stays closed holds the base", () => {
  const script = driving();
  for (let t = 0; t < 3000; t += 100) script.line("contact 1 1").drive(100, 500);
  expect(last(run(script).steps)).toEqual({ forward: 0, turn: 0, stop: "contact" });
});

rule("a floor sensor slows the base and asks; without an answer it stops", () => {
  const script = driving().line("floor 0 1").line("send").line("send").drive(190, 2000).drive(1500, 2000);
  const answers = run(script);
  const [question] = of(answers.sent, "floor");
  expect(question!.contents).toMatchObject({ sensor: 0, isMissing: 1, x: 210, y: 0 });
  expect(answers.steps[315]!.stop).toBe("none");
  expect(answers.steps[315]!.forward).toBeLessThan(1000 - 7 * 14);
  expect(answers.steps[325]!.stop).toBe("floor"); // 200 ms
  expect(last(answers.steps).forward).toBe(0);
});

const asked = (verdict: number, then = 2000) =>
  driving()
    .line("floor 0 1")
    .drive(50, 2000)
    .frame({ kind: "finding", sensor: 0, verdict, question: 0 })
    .drive(then, 2000);

rule(
  "the head's answer decides: slowly on where it sees firm floor, a stop where it agrees or cannot see",
  () => {
    expect(last(run(asked(1)).steps)).toEqual({ forward: 50, turn: 0, stop: "none" });
    expect(last(run(asked(0)).steps)).toEqual({ forward: 0, turn: 0, stop: "floor" });
    expect(last(run(asked(2)).steps)).toEqual({ forward: 0, turn: 0, stop: "floor" });
    // An answer to another question is none.
    const other = driving().line("floor 0 1").drive(50, 2000);
    other.frame({ kind: "finding", sensor: 0, verdict: 1, question: 77 }).drive(1500, 2000);
    expect(last(run(other).steps).stop).toBe("floor");
  },
);

rule(
  "from a missing floor ahead the base may go back, slowly, and on again once the floor is present",
  () => {
    expect(last(run(asked(0).drive(1000, -2000)).steps).forward).toBe(-50);
    const again = run(asked(0).line("floor 0 0").drive(1000, 2000)).steps;
    expect(last(again).forward).toBeGreaterThan(300);
  },
);

rule("a base that goes on over a missing floor asks again, and the new answer counts", () => {
  const script = asked(1, 200);
  const missing = (milliseconds: number) => {
    for (let t = 0; t < milliseconds; t += 10) script.line("floor 0 1").drive(10, 2000).line("send");
  };
  missing(300);
  script.frame({ kind: "finding", sensor: 0, verdict: 0, question: 1 });
  missing(1500);
  const answers = run(script);
  const questions = of(answers.sent, "floor").map(({ contents }) => contents.question);
  expect(Math.max(...questions)).toBeGreaterThanOrEqual(1);
  expect(last(answers.steps)).toEqual({ forward: 0, turn: 0, stop: "floor" });
  // Without the second answer it stops, too.
  const silent = asked(1, 200);
  for (let t = 0; t < 2000; t += 10) silent.line("floor 0 1").drive(10, 2000);
  expect(last(run(silent).steps)).toEqual({ forward: 0, turn: 0, stop: "floor" });
});

rule("a floor sensor that flickers at an edge keeps the base standing", () => {
  const script = asked(0).line("floor 0 1").drive(10, 2000);
  for (let i = 0; i < 100; i++) script.line(`floor 0 ${i % 2}`).drive(10, 2000);
  expect(
    new Set(
      run(script)
        .steps.slice(-100)
        .map(({ forward }) => forward),
    ),
  ).toEqual(new Set([0]));
});

rule("a question is repeated until its answer comes", () => {
  const script = driving().line("floor 0 1");
  for (let t = 0; t < 200; t++) script.wait(1).line("send");
  const count = of(run(script).sent, "floor").length;
  expect(count).toBeGreaterThanOrEqual(9); // each 20 ms
  expect(count).toBeLessThanOrEqual(11);
});

rule("a waiver replaces the pace slowly, in its direction, for its time by the board's own clock", () => {
  const script = new BoardScript().line('waiver 0 60000 "button at the base"');
  for (let t = 0; t < 7000; t += 10) script.wait(10).step(500, 300);
  const { steps } = run(script);
  expect(steps[400]).toEqual({ forward: 50, turn: 0, stop: "none" });
  // 5 s at most, although a minute was asked for.
  expect(steps.findIndex(({ stop }) => stop === "clock")).toBe(499);
  expect(last(steps).forward).toBe(0);
});

rule("a waiver needs a reason, ends when it is withdrawn, and never overrides a contact", () => {
  const answers = run(new BoardScript().line('waiver 0 1000 ""').line('waiver 9 1000 "x"').step(500));
  expect(answers.text("waiver")).toEqual(["0", "0"]);
  const withdrawn = new BoardScript().line('waiver 0 3000 "button"');
  for (let t = 0; t < 500; t += 10) withdrawn.wait(10).step(500);
  withdrawn.line('waiver 0 0 "button"');
  for (let t = 0; t < 500; t += 10) withdrawn.wait(10).step(500);
  expect(last(run(withdrawn).steps)).toEqual({ forward: 0, turn: 0, stop: "clock" });
  const knocked = new BoardScript().line('waiver 0 3000 "button"');
  for (let t = 0; t < 500; t += 10) knocked.wait(10).step(500);
  expect(last(run(knocked.line("contact 0 1").wait(10).step(500)).steps)).toMatchObject({
    forward: 0,
    stop: "contact",
  });
});

rule("a curve is slowed along the same arc; between two curvatures the slower pace counts", () => {
  const along = (forward: number, turn: number) =>
    last(run(new BoardScript().clock().drive(4000, forward, turn)).steps);
  expect(along(1000, 1000)).toEqual({ forward: 500, turn: 500, stop: "none" }); // 1 per metre
  const between = along(1000, 750); // 0.75 per metre: between 0.5 (800) and 1 (500)
  expect(between.forward).toBe(500);
  expect(between.turn).toBe(375);
  expect(along(-1000, 1000)).toEqual({ forward: -200, turn: 200, stop: "none" }); // backwards, -1 per metre
  expect(along(100, 900)).toEqual({ forward: 0, turn: 900, stop: "none" }); // tighter than 2 per metre: on the spot
  expect(along(0, 3000)).toEqual({ forward: 0, turn: 1500, stop: "none" });
});

rule("on the way to a tighter arc it is never faster than the pace of the arc that it is on", () => {
  const script = new BoardScript().clock().drive(3000, 1000).drive(3000, 500, 1000);
  const { steps } = run(script);
  // The paces of FAST, by hand: between two curvatures the slower of the two.
  const paces = { 0: 1000, 500: 800, 1000: 500, 2000: 200 };
  for (const { forward, turn } of steps.slice(300)) {
    if (forward <= 30) continue;
    const curvature = (1000 * turn) / forward;
    const pace =
      curvature < 10 ? paces[0] : curvature < 510 ? paces[500] : curvature < 1010 ? paces[1000] : paces[2000];
    // Whole mm/s and mrad/s say the curvature to within 1 in the turn.
    const isAtEdge = [0, 500, 1000].some((node) => Math.abs(curvature - node) < 12 + 2000 / forward);
    if (!isAtEdge) expect(forward).toBeLessThanOrEqual(pace + 1);
  }
  expect(last(steps)).toEqual({ forward: 200, turn: 400, stop: "none" });
});

rule("the base brakes along its arc", () => {
  const script = new BoardScript().clock().drive(3000, 500, 500);
  for (let t = 0; t < 900; t += 10) script.wait(10).step(0);
  const braking = run(script)
    .steps.slice(300)
    .filter(({ forward }) => forward > 20);
  expect(braking.length).toBeGreaterThan(50);
  for (const { forward, turn } of braking) expect(Math.abs(turn - forward)).toBeLessThanOrEqual(3);
});

rule("a command of the head holds for its time, and never exceeds the pace", () => {
  const script = new BoardScript().clock().wait(10).pace();
  script.frame({ kind: "drive", forward: -250, turn: -40, holds: 200 }).line("wanted");
  script.wait(199).line("wanted").wait(1).line("wanted");
  expect(run(script).numbers("wanted")).toEqual([
    [-250, -40],
    [-250, -40],
    [0, 0],
  ]);
});

rule(
  "measurements carry their age, the newest replaces the one before, and the clock is asked for first",
  () => {
    const script = new BoardScript().line("send").wait(1).line("send");
    script.line("wheels 1 2 0 0 0").wait(5).line("wheels -3 4 5 6 -7").wait(8).line("send").line("send");
    script.line("position 10 -20 31416 300 -50").line("battery 12600 -150 255 1").wait(2);
    for (let i = 0; i < 4; i++) script.line("send");
    const { sent } = run(script);
    expect(sent.map(({ contents }) => contents.kind)).toEqual([
      "ask",
      "state",
      "wheels",
      "position",
      "battery",
    ]);
    expect(sent.map(({ stamp }) => stamp.sequence)).toEqual([0, 1, 2, 3, 4]);
    const [, , wheels, position, battery] = sent;
    expect(wheels!.contents).toEqual({ kind: "wheels", counts: [-3, 4, 5, 6], steering: -7 });
    expect(wheels!.stamp.age).toBe(8000);
    expect(position!.contents).toMatchObject({ x: 10, y: -20, yaw: 31416, forward: 300, turn: -50 });
    expect(battery!.contents).toEqual({
      kind: "battery",
      voltage: 12600,
      current: -150,
      charge: 255,
      isCharging: 1,
    });
  },
);

rule(
  "the offset of the clocks is that of the fastest exchange, and a head that starts again is noticed",
  () => {
    const script = new BoardScript();
    // RFC 5905, section 8, by hand: asked at T, the head (1 s ahead) hears at T + 2 ms, sends at T + 3 ms, and it comes at T + 9 ms.
    // delay 8 ms; offset 1 s + ((2 + 3 - 0 - 9) / 2) ms = 1 s - 2 ms.
    const exchange = (there: number, stays: number, back: number, ahead: number) => {
      const asked = script.now;
      script.wait(there + stays + back);
      script.frame(
        { kind: "time", asked, received: asked + ahead + 1000 * there },
        { sent: asked + ahead + 1000 * (there + stays) },
      );
      script.line("send").wait(260);
    };
    exchange(2, 1, 6, 1_000_000);
    exchange(1, 1, 1, 1_000_000);
    exchange(9, 1, 2, 1_000_000);
    exchange(1, 1, 1, 50_000_000);
    const known = of(run(script).sent, "ask").filter(({ contents }) => contents.isKnown === 1);
    expect(known.map(({ contents }) => [contents.offset, contents.delay])).toEqual([
      [998_000, 8000],
      [1_000_000, 2000],
      [1_000_000, 2000],
      [50_000_000, 2000],
    ]);
  },
);
