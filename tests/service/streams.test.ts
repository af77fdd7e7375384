import { afterEach, expect, test } from "vitest";
import type { HeadClient } from "../../src/client/client.ts";
import { headTime } from "../../src/service/time.ts";
import { END } from "../../src/terms/safety.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { CAMERA, LiveHead, until, view } from "../helpers/live.ts";

// Which stream has stopped is told by its name, whatever else still comes.

let head: LiveHead;
let timer: NodeJS.Timeout;
let notes: string[];
let reaches: FromServer<"reach">[];
let pulse: FromServer<"pulse"> | null;
afterEach(async () => {
  clearInterval(timer);
  await head.stop();
});

/** What is sent 25 times a second from now on. */
type Sends = { depth: boolean; orientation: boolean; motion: boolean };
async function start(
  source: "odometry" | "tracked",
  sends: Sends,
  config: Record<string, unknown> = {},
): Promise<HeadClient> {
  head = await LiveHead.start({ settings: { "pose.source": source }, blind: 0.6, ...config });
  const sensor = await head.open({ role: "sensor" });
  const base = await head.open({ role: "base", topics: { reach: 100, notes: 50, pulse: 10 } });
  notes = [];
  reaches = [];
  pulse = null;
  base.on("note", ({ text }) => notes.push(text));
  base.on("reach", (reach) => reaches.push(reach));
  base.on("pulse", (message) => {
    pulse = message;
  });
  let sequence = 0;
  timer = setInterval(() => {
    const time = headTime();
    if (sends.orientation) sensor.observe({ kind: "orientation", time, rotation: [0, 0, 0, 1] });
    if (sends.motion) base.observe({ kind: "motion", time, pose: [0, 0, 0], speed: null });
    if (!sends.depth) return;
    const frame = { kind: "depth", sensor: "front", form: "u16", amplitude: null } as const;
    sensor.observe({ ...frame, time, sequence: sequence++, counts: view() });
  }, 40);
  return base;
}
const has = (part: string) => notes.some((note) => note.includes(part));

test.each([
  ["odometry", "motion", "odometry"],
  ["odometry", "orientation", "orientation or inertial samples"],
  ["tracked", "orientation", "orientation or inertial samples"],
] as const)(
  "poses by %s, %s stops while depth comes: that stream is named, not the camera",
  async (source, kind, name) => {
    const sends: Sends = { depth: true, orientation: true, motion: source === "odometry" };
    await start(source, sends);
    await until(() => (pulse?.sensors[0]?.frames ?? 0) > 5, "frames with poses");
    sends[kind] = false;
    await until(() => has(`${name.split(" or ")[0]}: no data for`), "the stream's name");
    await until(
      () => has(`frames of front have no pose: ${name} is missing (pose.source is ${source})`),
      "what follows",
    );
    expect(notes.filter((note) => note.includes("front has sent nothing"))).toEqual([]);
    await until(() => pulse!.sensors[0]!.why === `no pose: ${name} is missing`, "the pulse's reason");
    expect(pulse!.sensors[0]!.state).toBe("running");
    // The frames themselves are judged as before. Where the base has got to is not known: it does not move.
    await until(() => reaches.at(-1)!.state === "clear" && reaches.at(-1)!.source === "frame", "reach");
    const { pace } = reaches.at(-1)!;
    expect(pace).toMatchObject({ forward: 0, backward: 0, left: 0, right: 0 });
    expect(pace!.limit!.cause).toBe(END.unplaced);
    sends[kind] = true;
    await until(() => has("is back") && has("frames of front have a pose again"), "the end of it");
  },
);

test("a camera whose depth unit is half of that in the setup is reported, with what to check", async () => {
  const doubled = { ...CAMERA, optics: { ...CAMERA.optics, unit: 0.002, maxRange: 10 } };
  await start("odometry", { depth: true, orientation: true, motion: true }, { sensors: [doubled] });
  await until(() => has("as if the depth unit were 0.5 times optics.unit"), "the note");
});

test("a stream that never starts is reported as well", async () => {
  await start("odometry", { depth: true, orientation: true, motion: false });
  await until(() => has("frames of front have no pose: odometry is missing"), "the note");
  expect(notes.filter((note) => note.includes("has sent nothing"))).toEqual([]);
});

test("the camera that stops is named while samples still come", async () => {
  const sends: Sends = { depth: true, orientation: true, motion: true };
  await start("odometry", sends);
  await until(() => (pulse?.sensors[0]?.frames ?? 0) > 5, "frames with poses");
  sends.depth = false;
  await until(() => has("front has sent nothing for"), "the note");
  expect(notes.filter((note) => note.includes("no pose") || note.includes("no data"))).toEqual([]);
  expect(reaches.at(-1)!.state).toMatch(/late|blind/);
});
