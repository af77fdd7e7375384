import { spawn, spawnSync } from "node:child_process";
import {
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  rmSync,
  truncateSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { fileURLToPath } from "node:url";
import { afterEach, beforeEach, expect, test } from "vitest";
import { crc32c } from "../../src/coding/crc32c.ts";
import { BlockGrid, blockKey } from "../../src/map/grid.ts";
import { decodeSnapshot, encodeSnapshot } from "../../src/map/snapshot.ts";
import { MapSaver } from "../../src/service/maps/map-saver.ts";
import { testWith } from "../helpers/needs.ts";
import { seeded } from "../helpers/recordings.ts";

let folder = "";
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "saver-"));
});
afterEach(() => rmSync(folder, { recursive: true }));

/** A map whose frame number says which one it is. */
function snapshot(frame: number): Uint8Array {
  const grid = new BlockGrid(0.05);
  grid.frame = frame;
  const values = new Uint8Array(512).map((_, i) => (i + frame) % 113);
  for (let n = 0; n < 200; n++) grid.pasteBlock(blockKey(n % 20, Math.floor(n / 20), 0), values, frame);
  return encodeSnapshot(grid, crc32c);
}
const frameOf = (bytes: Uint8Array | null): number | null => bytes && decodeSnapshot(bytes, crc32c).frame;

test("the newest save is loaded, and there is none before the first", async () => {
  const saver = new MapSaver(join(folder, "new", "place"));
  expect(await saver.load()).toEqual({ bytes: null, path: null, problems: [] });
  await saver.save(snapshot(1));
  await saver.save(snapshot(2));
  const { bytes, problems } = await saver.load();
  expect([frameOf(bytes), problems]).toEqual([2, []]);
});

test("a damaged snapshot falls back to the one before, and says so; two damaged ones to none", async () => {
  const saver = new MapSaver(folder);
  await saver.save(snapshot(1));
  await saver.save(snapshot(2));
  const newest = join(folder, "map.snapshot");
  truncateSync(newest, 1000);
  let loaded = await saver.load();
  expect(frameOf(loaded.bytes)).toBe(1);
  expect(loaded.problems).toEqual([expect.stringContaining(`${newest}: the snapshot says it has`)]);
  // What is saved next must not push the good one out of the way for the damaged one.
  expect(existsSync(newest)).toBe(false);
  await saver.save(snapshot(3));
  expect(frameOf((await saver.load()).bytes)).toBe(3);
  rmSync(newest);
  expect(frameOf((await saver.load()).bytes)).toBe(1);
  await saver.save(snapshot(4));
  for (const name of readdirSync(folder)) writeFileSync(join(folder, name), "no map");
  loaded = await saver.load();
  expect(loaded.bytes).toBeNull();
  expect(loaded.problems.length).toBeGreaterThan(0);
});

const canMount = (): string | null => {
  const where = mkdtempSync(join(tmpdir(), "mount-"));
  const run = spawnSync("mount", ["-t", "tmpfs", "-o", "size=64k", "tmpfs", where], { stdio: "ignore" });
  if (run.status === 0) spawnSync("umount", [where]);
  rmSync(where, { recursive: true });
  return run.status === 0 ? null : "a small file system of its own; run as root";
};

testWith(
  canMount,
  "on a full disk a save fails with its reason, and what was saved before is still whole",
  async () => {
    const small = join(folder, "small");
    mkdirSync(small);
    spawnSync("mount", ["-t", "tmpfs", "-o", "size=160k", "tmpfs", small]);
    try {
      const saver = new MapSaver(small);
      await saver.save(snapshot(1));
      writeFileSync(join(small, "filler"), new Uint8Array(8192));
      await expect(saver.save(snapshot(2))).rejects.toThrow(/ENOSPC/);
      await expect(saver.save(snapshot(3))).rejects.toThrow(/ENOSPC/);
      expect(frameOf((await saver.load()).bytes)).toBe(1);
      expect(readdirSync(small).sort()).toEqual(["filler", "map.snapshot"]);
      rmSync(join(small, "filler"));
      truncateSync(join(small, "map.snapshot"), 0); // makes room; it is damaged, too
      expect((await saver.load()).problems.length).toBe(1);
      await saver.save(snapshot(4));
      expect(frameOf((await saver.load()).bytes)).toBe(4);
    } finally {
      spawnSync("umount", [small]);
    }
  },
);

test("killed at any of 50 moments of saving, a whole snapshot is left, no older than the last that was done", async () => {
  const random = seeded(50);
  const saverModule = fileURLToPath(new URL("../../dist/src/service/maps/map-saver.js", import.meta.url));
  const script = `
    import { MapSaver } from ${JSON.stringify(saverModule)};
    import { readFileSync } from "node:fs";
    const maps = [1, 2, 3, 4].map((n) => new Uint8Array(readFileSync(process.argv[1] + "/input" + n)));
    const saver = new MapSaver(process.argv[1] + "/maps");
    for (let i = 0; ; i++) {
      await saver.save(maps[i % 4]);
      process.stdout.write(String(i) + "\\n");
    }`;
  for (let n = 1; n <= 4; n++) writeFileSync(join(folder, `input${n}`), snapshot(n));
  let most = 0;
  for (let i = 0; i < 50; i++) {
    rmSync(join(folder, "maps"), { recursive: true, force: true });
    const child = spawn(process.execPath, ["--input-type=module", "-e", script, folder], {
      stdio: ["ignore", "pipe", "inherit"],
    });
    let out = "";
    let heard = () => {};
    child.stdout.on("data", (chunk) => {
      out += chunk;
      heard();
    });
    const saves = 1 + Math.floor(random() * 8);
    await new Promise<void>((resolve) => {
      heard = () => {
        if (out.split("\n").length > saves) resolve();
      };
      heard();
    });
    await sleep(random() * 4); // a random moment of the save that follows
    child.kill("SIGKILL");
    await new Promise((resolve) => child.on("close", resolve));
    const done = Number(out.trim().split("\n").at(-1));
    most = Math.max(most, done);
    const { bytes, problems } = await new MapSaver(join(folder, "maps")).load();
    // The save that was cut off may have been done already, but not the one after it.
    expect([(done % 4) + 1, ((done + 1) % 4) + 1]).toContain(frameOf(bytes));
    expect(problems).toEqual([]);
  }
  expect(most).toBeGreaterThanOrEqual(7); // the eighth save, numbered from 0
});
