import { expect, test } from "vitest";
import { driveRound, driveStarts, type Round } from "../helpers/round.ts";

test("a round through three rooms without odometry drifts little, is noticed to end where it began, and leaves one map", () => {
  const { frames, notes, score } = driveRound("three-rooms");
  const closed = notes.filter(({ note }) => note.what === "loop closed");
  const open = frames.filter(({ time }) => time < (closed[0]?.time ?? 0));
  const worst = Math.max(...open.map(({ error }) => error));
  const yaw = Math.max(...frames.map((frame) => frame.yaw));
  const last = frames.at(-1)!;
  console.log(
    `three rooms: ${open.at(-1)?.way.toFixed(1)} m to the loop, ${(100 * worst).toFixed(1)} cm off at worst before, yaw ` +
      `${((180 * yaw) / Math.PI).toFixed(2)} deg; ${(100 * last.error).toFixed(1)} cm at the end; map ${score.toFixed(3)}`,
  );
  expect(notes.filter(({ note }) => note.what !== "loop closed")).toEqual([]);
  expect(closed.length).toBeGreaterThan(0);
  expect(open.at(-1)!.way).toBeGreaterThan(33);
  expect(worst).toBeLessThan(0.01 * open.at(-1)!.way);
  expect(yaw).toBeLessThan(Math.PI / 180);
  expect(last.error).toBeLessThan(0.05);
  expect(score).toBeGreaterThan(0.97);
  expect(frames.filter(({ isInside }) => isInside).length).toBeGreaterThanOrEqual(0.99 * frames.length);
  expect(frames.filter(({ hold, error }) => hold === "held" && error > 0.1)).toEqual([]);
});

const STUDIO = "pottery-studio";
const lostOf = ({ frames }: Round) => frames.filter(({ hold }) => hold === "lost").length / frames.length;

/** Says how unsure it is, and is never wrongly sure. */
function expectHonest(name: string, { frames, notes }: Round): void {
  const inside = frames.filter(({ isInside }) => isInside).length / frames.length;
  const { error, way } = frames.at(-1)!;
  console.log(
    `${name} from ${frames[0]!.time.toFixed(0)} s on: ${(100 * inside).toFixed(1)} % within three sigma, ` +
      `${(100 * error).toFixed(0)} cm off after ${way.toFixed(0)} m; ` +
      `${notes.map(({ note }) => note.what).join(", ") || "nothing to tell"}`,
  );
  expect(inside).toBeGreaterThanOrEqual(0.99);
  expect(frames.filter(({ hold, error: off }) => hold === "held" && off > 0.1)).toEqual([]);
}

test("accelerations carry it over bare floor, wherever it is switched on: never lost, and within 1 % of its way", () => {
  // The whole round; before steps and a pit; on the way, at 0.8 m/s, to a ramp; at its foot, speeding up.
  const rounds = driveStarts(STUDIO, [0, 11, 44, 55]);
  for (const round of rounds) {
    expectHonest("felt,", round);
    expect(lostOf(round)).toBe(0);
  }
  for (const { frames } of rounds.slice(0, 3)) {
    const { way } = frames.at(-1)!;
    expect(Math.max(...frames.map(({ error }) => error))).toBeLessThan(0.01 * way);
    expect(Math.max(...frames.map(({ yaw }) => yaw))).toBeLessThan((1.5 * Math.PI) / 180);
  }
  // How fast it went when it was switched on was not known then. Once it is, the way so far is mended.
  const { frames } = rounds[3]!;
  expect(Math.max(...frames.map(({ error }) => error))).toBeGreaterThan(0.5);
  expect(frames.at(-1)!.error).toBeLessThan(0.25);
});

test("without accelerations it is lost over bare floor, and honest", () => {
  const rounds = driveStarts(STUDIO, [0, 44], { settings: { "track.inertial": "ignored" } });
  for (const round of rounds) expectHonest("not felt,", round);
  expect(lostOf(rounds[0]!)).toBeGreaterThan(0.5);
});

test("a worse accelerometer, and an idea of level that sways, make it less sure, not wrong", () => {
  for (const round of driveStarts(STUDIO, [0, 38], { isHarsh: true })) expectHonest("badly felt,", round);
});

test("with its lens covered on the way it is lost within half a second though it feels on, maps nothing, and is found again", () => {
  const [from, until] = [8, 9];
  const [{ frames, notes }] = driveStarts("three-rooms", [0], { covered: [from, until], end: 13 }) as [Round];
  const lost = notes.find(({ note }) => note.what === "lost")!;
  const found = notes.find(({ note }) => note.what === "found")!;
  expect(lost.time).toBeGreaterThan(from);
  expect(lost.time).toBeLessThan(from + 0.5);
  expect(frames.filter(({ time, isMapped }) => time >= lost.time && time < found.time && isMapped)).toEqual(
    [],
  );
  expect(found.time).toBeLessThan(until + 1);
  const after = frames.filter(({ time }) => time > found.time + 0.5);
  expect(Math.max(...after.map(({ error }) => error))).toBeLessThan(0.05);
  expect(after.filter(({ isMapped }) => isMapped).length).toBeGreaterThan(0.9 * after.length);
});
