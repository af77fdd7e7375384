import { expect, test } from "vitest";
import { driveRound, driveStarts } from "../helpers/round.ts";

test("a round through three rooms without odometry drifts little, is noticed to end where it began, and leaves one map", () => {
  const { frames, notes, score } = driveRound("three-rooms");
  const closed = notes.filter(({ note }) => note.what === "loop closed");
  const open = frames.filter(({ time }) => time < (closed[0]?.time ?? 0));
  const worst = Math.max(...open.map(({ error }) => error));
  // Until the first room is in sight again, where it falls in with what it saw at the start.
  const yaw = Math.max(...frames.filter(({ way }) => way < 33).map((frame) => frame.yaw));
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

test("switched on in sight of bare floor it may be lost, but says how unsure it is, and is never wrongly sure", () => {
  // Before steps and a pit; on the way, at 0.8 m/s, to a ramp; at its foot, about to turn.
  for (const { frames, notes } of driveStarts("pottery-studio", [11, 44, 55])) {
    const inside = frames.filter(({ isInside }) => isInside).length / frames.length;
    console.log(
      `from ${frames[0]!.time.toFixed(0)} s on: ${(100 * inside).toFixed(1)} % within three sigma, ` +
        `${notes.map(({ note }) => note.what).join(", ") || "nothing to tell"}`,
    );
    expect(inside).toBeGreaterThanOrEqual(0.99);
    expect(frames.filter(({ hold, error }) => hold === "held" && error > 0.1)).toEqual([]);
  }
});
