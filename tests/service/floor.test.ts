import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { decode } from "fast-png";
import { afterAll, beforeAll, expect, test } from "vitest";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { openRecording } from "../../src/record/file.ts";
import { newToken } from "../../src/service/access/tokens.ts";
import { readPlayed } from "../../src/service/playing/recordings-folder.ts";
import { recordScenario } from "../../src/simulate/record.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { LIGHT } from "../../src/terms/palette.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { LiveHead, until } from "../helpers/live.ts";

// The map of the floor on the wire, of the demo up to its kiln pit. What a client has must be what a head has that was fed by hand.

const folder = mkdtempSync(join(tmpdir(), "brinkmap-floor-"));
const path = join(folder, "pit.brk");
let head: LiveHead;

beforeAll(async () => {
  const studio = JSON.parse(
    readFileSync(new URL("../../datasets/pottery-studio.json", import.meta.url), "utf8"),
  );
  await recordScenario(
    loadScenario({
      ...studio,
      duration: 18,
      sensors: studio.sensors.map((one: object) => ({ ...one, rate: 5 })),
    }),
    path,
    {},
  );
  head = await LiveHead.start({}, { played: await readPlayed(path) });
});
afterAll(async () => {
  await head.stop();
  rmSync(folder, { recursive: true });
});

async function truthAt(frames: number): Promise<Head> {
  const recording = await openRecording(path);
  const { settings } = await readPlayed(path);
  const truth = new Head(recording.header.setup, resolveSettings(settings));
  let count = 0;
  for (const event of recording.events()) {
    if (event.kind === "depth" && count++ === frames) break;
    truth.take(event);
  }
  recording.close();
  return truth;
}

test("before the first frame there is no floor to download, and with tokens it needs one", async () => {
  const { token, entry } = newToken("tablet", ["watch"]);
  const live = await LiveHead.start({ tokens: [entry] });
  const url = live.service.url.replace("ws:", "http:").replace("/live", "/map.svg");
  expect((await fetch(url)).status).toBe(401);
  const answer = await fetch(url, { headers: { authorization: `Bearer ${token}` } });
  expect([answer.status, await answer.text()]).toEqual([404, "no floor is known yet\n"]);
  await live.stop();
});

test("a client has the head's floor and its edges, and resumes with what is missing only", async () => {
  let playing: FromServer<"playing"> | null = null;
  const watcher = await head.open({ topics: { floor: 100, playing: 50 } });
  watcher.on("playing", (message) => {
    playing = message;
  });
  const goTo = async (to: number): Promise<number> => {
    await watcher.play({ to, speed: 0 });
    const isThere = () => playing?.goal === null && Math.abs(playing.at - to) < 200_000;
    // On a busy machine the way there takes longer than one wait.
    for (let n = 0; n < 5 && !isThere(); n++) await until(isThere, "the place").catch(() => {});
    expect(isThere()).toBe(true);
    return playing!.frame;
  };
  await goTo(12e6);
  await until(() => watcher.floor.tiles.size > 5, "tiles");
  const frame = await goTo(17.5e6);
  const truth = await truthAt(frame);
  const source = truth.floorSource;
  /** Cells that differ from the head's own; those that nothing was ever written to are not sent. */
  const wrong = (): number => {
    let count = 0;
    for (const { col, row, cells } of watcher.floor.tiles.values()) {
      cells.forEach((code, n) => {
        if (code !== source.forMap(32 * col + (n % 32), 32 * row + Math.floor(n / 32))) count++;
      });
    }
    return count;
  };
  await until(() => watcher.floor.isComplete && wrong() === 0, "the head's floor");
  expect(watcher.floor.tiles.size).toBe(source.tiles.size);
  const codes = [...watcher.floor.tiles.values()].flatMap(({ cells }) => [...cells]);
  expect(codes.filter((code) => code === FOOTING.gone).length).toBeGreaterThan(200);
  // Edges: each of the client's lies where the head has one, with its depth.
  const own = truth.footing.brinks([0, 0], 100);
  const edges = watcher.floor.edges();
  expect(edges.length).toBeGreaterThan(0);
  for (const { points, drop, age } of edges) {
    const [x, y] = points[0]!;
    const near = own.find((one) => one.points.some(([ox, oy]) => Math.hypot(ox - x, oy - y) < 0.02));
    expect(near).toBeDefined();
    if (points.length > 5) expect(Math.abs(near!.drop - drop)).toBeLessThan(0.05);
    expect(age).toBeLessThan(18);
  }
  // The same as files.
  const url = head.service.url.replace("ws:", "http:").replace("/live", "");
  const get = async (name: string): Promise<Buffer> => {
    const answer = await fetch(`${url}${name}`);
    expect([name, answer.status]).toEqual([name, 200]);
    return Buffer.from(await answer.arrayBuffer());
  };
  const about = JSON.parse((await get("/map.json")).toString());
  const cells = watcher.floor.cells(10_000)!;
  expect(about.ground).toMatchObject({ shape: [cells.height, cells.width], cellSize: 0.05 });
  expect(about.ground.origin[0]).toBeCloseTo(cells.col * 0.05, 3);
  expect(about.edges).toHaveLength(edges.length);
  expect((await get("/map.ground.npy")).subarray(-cells.cells.length)).toEqual(Buffer.from(cells.cells));
  const points = edges.reduce((sum, edge) => sum + edge.points.length, 0);
  expect((await get("/map.edges.npy")).toString("latin1")).toContain(`'shape': (${points}, 8)`);
  expect((await get("/map.edges.ply")).toString("latin1")).toContain(`element vertex ${points}\n`);
  const plan = (await get("/map.svg")).toString();
  expect(plan).toMatch(/^<svg [\s\S]*<g id="gone"[\s\S]*<\/svg>\n$/);
  const png = await get("/map.png");
  const picture = decode(png);
  expect(picture.width).toBeGreaterThan(800);
  // Drops are on it in their colour.
  const drop = Number.parseInt(LIGHT.brink.slice(1), 16);
  let count = 0;
  for (let n = 0; n < picture.data.length; n += 3) {
    const [r, g, b] = picture.data.subarray(n, n + 3);
    if (((r! << 16) | (g! << 8) | b!) === drop) count++;
  }
  expect(count).toBeGreaterThan(500);
  // A client that has most of it gets the rest: the patch says from which change on.
  const { epoch, change } = watcher.floor.have;
  const resumed: FromServer<"floor">[] = [];
  const later = await head.open({ topics: {} });
  later.floor.epoch = epoch;
  later.floor.change = change - 3;
  later.on("floor", () => {});
  const apply = later.floor.apply.bind(later.floor);
  later.floor.apply = (patch) => {
    resumed.push(patch);
    return apply(patch);
  };
  later.subscribe({ floor: 100 });
  await until(() => resumed.length > 0, "the rest");
  expect(resumed[0]).toMatchObject({ epoch, from: change - 3, to: change, left: 0 });
  expect(resumed[0]!.count).toBeLessThanOrEqual(3);
  // Another epoch: everything.
  later.floor.epoch = "other";
  resumed.length = 0;
  later.subscribe({ floor: 100 });
  await until(() => later.floor.isComplete && later.floor.tiles.size === watcher.floor.tiles.size, "all");
  expect(resumed[0]).toMatchObject({ epoch, from: 0 });
  // Back at the start it is another map.
  await goTo(0);
  await until(() => watcher.floor.epoch !== epoch && watcher.floor.tiles.size < 20, "the first floor");
}, 120_000);
