import { type ChildProcess, spawn } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, afterEach, beforeAll, describe, expect, vi } from "vitest";
import { createRecording } from "../../src/record/file.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { main as compare } from "../../tools/compare.ts";
import { parseServer } from "../../tools/queue/address.ts";
import { overQueue } from "../../tools/queue/coordinator.ts";
import { lend } from "../../tools/queue/lender.ts";
import { buildOf, queueOf } from "../../tools/queue/present.ts";
import type { Comparison } from "../../tools/tune/comparison.ts";
import { labelsPath } from "../../tools/tune/labels.ts";
import { type Given, keyOf, openEntries, ownProgram, type Runs, runAll } from "../../tools/tune/runs.ts";
import { testWith } from "../helpers/needs.ts";
import { needsRedis, RedisServer } from "../helpers/redis.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-queue-"));
const shelf = join(folder, "shelf");
const recordings = [1, 2].map((seed) => join(shelf, `yard${seed}.brk`));
const LEND = fileURLToPath(new URL("../../dist/tools/lend.js", import.meta.url));
const ACTIVE = `brinkmap:${queueOf(buildOf(ownProgram()))}:active`;
/** Long: replays on a busy machine, and the time until one who was killed is missed. */
const LONG = 240_000;

const lenders: ChildProcess[] = [];
let server: RedisServer | null = null;
afterEach(async () => {
  for (const child of lenders.splice(0)) child.kill("SIGKILL");
  await server?.close();
  server = null;
  vi.restoreAllMocks();
});
afterAll(() => rmSync(folder, { recursive: true }));

beforeAll(async () => {
  mkdirSync(shelf);
  const text = readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8");
  for (const [n, path] of recordings.entries()) {
    const scenario = loadScenario({ ...JSON.parse(text), seed: n + 1 });
    const header = { setup: scenario.setup, settings: {}, about: "test", software: "test" };
    const recording = await createRecording(path, header);
    for (const event of simulateEvents(scenario)) {
      recording.write(event);
      if (event.time > 2e6) break;
    }
    await recording.close();
  }
  const outline = [[1, 1], [2, 1], [2, 2]]; // biome-ignore format: one line
  writeFileSync(labelsPath(recordings[0]!), JSON.stringify({ obstacles: [{ name: "one", outline }] }));
});

/** One who lends, as a process of its own. */
function startLender(url: string, ...more: string[]): { child: ChildProcess; errors: () => string } {
  const child = spawn(process.execPath, [LEND, url, "--workers", "1", ...more], { stdio: "pipe" });
  lenders.push(child);
  let errors = "";
  child.stderr.on("data", (bytes) => {
    errors += String(bytes);
  });
  return { child, errors: () => errors };
}

const SETTINGS: readonly Given[] = [
  {},
  { "evidence.sigma0": 0.03 },
  { "pose.source": "tracked", "map.voxelSize": 0.06 },
];

interface Tuning {
  readonly run: Promise<Runs>;
  readonly results: string;
  readonly said: string[];
}

let count = 0;
/** A tuning in this process over the queue at `url`. */
async function tuneOver(
  url: string,
  {
    results = join(folder, `results${count++}.jsonl`),
    settings = SETTINGS,
    signal = new AbortController().signal,
    patience = 60_000,
  } = {},
): Promise<Tuning> {
  const said: string[] = [];
  vi.spyOn(process.stderr, "write").mockReturnValue(true);
  const execute = overQueue({ server: parseServer(url), say: (line) => void said.push(line), patience });
  const entries = await openEntries(recordings);
  return {
    run: runAll(entries, settings, { results, workers: 1, signal, what: "test", execute }),
    results,
    said,
  };
}

/** Without what a clock measured. */
const scoresOf = ({ scores }: Runs) =>
  scores.map((row) =>
    row.map((score) => (score === null ? null : { ...score, frameTime: null, taken: null })),
  );

/** Looks every 5 ms, for what no event tells of. */
async function until(isSo: () => boolean | Promise<boolean>): Promise<void> {
  while (!(await isSo())) await new Promise((resolve) => setTimeout(resolve, 5));
}

const linesOf = (path: string): string[] => readFileSync(path, "utf8").trimEnd().split("\n");

describe("a tuning over the queue", () => {
  testWith(
    needsRedis,
    "scores bit for bit what one machine scores, with recordings at hand and fetched",
    async () => {
      vi.spyOn(process.stderr, "write").mockReturnValue(true);
      const { signal } = new AbortController();
      const local = await runAll(await openEntries(recordings), SETTINGS, {
        results: join(folder, "local.jsonl"),
        workers: 1,
        signal,
        what: "test",
      });
      expect(local.done).toBe(6);
      server = await RedisServer.start();
      startLender(server.url, "--recordings", shelf);
      startLender(server.url, "--keep", join(folder, "kept"));
      const { run, results } = await tuneOver(server.url);
      const distributed = await run;
      expect(distributed.failures).toEqual([]);
      expect([distributed.done, distributed.left]).toEqual([6, 0]);
      expect(scoresOf(distributed)).toEqual(scoresOf(local));
      expect(distributed.scores[0]![0]!.labels).toMatchObject({ obstaclesFound: expect.any(Number) });
      // And it is the same to whoever goes on from either results file.
      const keys = (path: string) => linesOf(path).map((line) => JSON.parse(line).key as string).sort(); // biome-ignore format: one line
      expect(keys(results)).toEqual(keys(join(folder, "local.jsonl")));
    },
    LONG,
  );

  testWith(
    needsRedis,
    "lenders killed in the middle of a replay lose nothing",
    async () => {
      server = await RedisServer.start();
      const client = server.client();
      const { run, results } = await tuneOver(server.url);
      for (let killed = 0; killed < 2; ) {
        const { child } = startLender(server.url);
        await until(async () => (await client.llen(ACTIVE)) > killed);
        child.kill("SIGKILL");
        await until(() => child.signalCode !== null || child.exitCode !== null);
        // What it was about is still nobody else's.
        killed = await client.llen(ACTIVE);
      }
      startLender(server.url, "--recordings", shelf);
      const runs = await run;
      client.disconnect();
      expect(runs.failures).toEqual([]);
      expect([runs.done, runs.left]).toEqual([6, 0]);
      const keys = linesOf(results).map((line) => JSON.parse(line).key as string);
      expect(new Set(keys).size).toBe(6);
      expect(keys).toHaveLength(6);
    },
    LONG,
  );

  testWith(
    needsRedis,
    "a server that dies and comes back empty loses nothing",
    async () => {
      server = await RedisServer.start();
      const { run, results, said } = await tuneOver(server.url);
      const { errors } = startLender(server.url, "--recordings", shelf);
      await until(() => readFileSync(results, "utf8").includes("\n"));
      await server.kill();
      await until(() => said.some((line) => line.startsWith("lost ")));
      await server.begin();
      const runs = await run;
      expect(said.some((line) => line.endsWith("is back"))).toBe(true);
      expect(errors()).toContain("is back");
      expect([runs.done, runs.left, runs.failures]).toEqual([6, 0, []]);
    },
    LONG,
  );

  testWith(
    needsRedis,
    "a server that stays away ends the run, which keeps what is done and goes on later",
    async () => {
      server = await RedisServer.start();
      const first = await tuneOver(server.url, { patience: 500 });
      startLender(server.url, "--recordings", shelf);
      await until(() => readFileSync(first.results, "utf8").includes("\n"));
      const said: string[] = [];
      const options = { workers: 1, folders: [shelf], keep: null, patience: 500 };
      const say = (line: string) => void said.push(line);
      const lent = lend({ server: parseServer(server.url), ...options, say }, new AbortController().signal);
      const isLost = expect(lent).rejects.toThrow(/stayed away.*start a server there/);
      const isOver = expect(first.run).rejects.toThrow(/stayed away.*start a server there/);
      await until(() => said.length > 0);
      await server.kill();
      await Promise.all([isLost, isOver]);
      const done = linesOf(first.results).length;
      expect(done).toBeLessThan(6);
      await server.begin();
      // Whether the one who lent before comes back in time is asked elsewhere.
      startLender(server.url, "--recordings", shelf);
      const second = await tuneOver(server.url, { results: first.results });
      const runs = await second.run;
      expect([runs.kept, runs.done, runs.left]).toEqual([done, 6 - done, 0]);
    },
    LONG,
  );

  testWith(
    needsRedis,
    "a run that is stopped takes back what nobody has begun, and takes later what was answered meanwhile",
    async () => {
      server = await RedisServer.start();
      const controller = new AbortController();
      const first = await tuneOver(server.url, { signal: controller.signal });
      const client = server.client();
      const waiting = ACTIVE.replace(/active$/, "wait");
      await until(async () => (await client.llen(waiting)) === 6);
      controller.abort();
      expect(await first.run).toMatchObject({ done: 0, left: 6 });
      expect(await client.llen(waiting)).toBe(0);
      client.disconnect();

      startLender(server.url, "--recordings", shelf);
      const whole = await tuneOver(server.url);
      expect((await whole.run).done).toBe(6);
      // Another results file: the answers are at the server still, and nobody lends any more.
      for (const child of lenders.splice(0)) child.kill("SIGKILL");
      const again = await tuneOver(server.url);
      expect((await again.run).done).toBe(6);
      expect(linesOf(again.results).map((line) => JSON.parse(line).score).sort()).toEqual(
        linesOf(whole.results).map((line) => JSON.parse(line).score).sort(),
      ); // biome-ignore format: two lines
    },
    LONG,
  );

  testWith(
    needsRedis,
    "orders what is prepared alike, and has the same poses, one after the other",
    async () => {
      server = await RedisServer.start();
      const controller = new AbortController();
      const tracked = { "pose.source": "tracked" };
      const settings: Given[] = [0.01, 0.03, 0.1].flatMap((sigma0) =>
        [400, 900].map((samples) => ({ ...tracked, "evidence.sigma0": sigma0, "track.samples": samples })),
      );
      const entries = await openEntries(recordings);
      const groups = new Map(
        entries.flatMap((entry) =>
          settings.map((given) => [keyOf(entry, given), `${entry.path} ${given["track.samples"]}`] as const),
        ),
      );
      const { run } = await tuneOver(server.url, { settings, signal: controller.signal });
      const client = server.client();
      const waiting = ACTIVE.replace(/active$/, "wait");
      await until(async () => (await client.llen(waiting)) === 12);
      const order = (await client.lrange(waiting, 0, -1)).map((key) => groups.get(key));
      client.disconnect();
      controller.abort();
      await run;
      expect(new Set(order).size).toBe(4);
      expect(order.filter((group, n) => n > 0 && group !== order[n - 1])).toHaveLength(3);
    },
    LONG,
  );

  testWith(
    needsRedis,
    "compares two settings as one machine does, and says when the queue cannot be used",
    async () => {
      const errors: string[] = [];
      const run = async (...more: string[]) => {
        const out: string[] = [];
        vi.spyOn(process.stderr, "write").mockReturnValue(true);
        vi.spyOn(console, "log").mockImplementation((line: string) => void out.push(line));
        vi.spyOn(console, "error").mockImplementation((line: string) => void errors.push(line));
        const words = [
          "-b",
          "evidence.sigma0=0.03",
          "-r",
          join(folder, `compared${count++}.jsonl`),
          "--json",
        ];
        const code = await compare([...recordings, ...words, ...more]);
        vi.restoreAllMocks();
        return { code, out: out.join("\n") };
      };
      /** Without what a clock measured. */
      const figures = (out: string) =>
        (JSON.parse(out) as { comparisons: Comparison[] }).comparisons
          .filter(({ name }) => name !== "a frame")
          .map(({ name, first, second }) => ({ name, first, second }));
      server = await RedisServer.start();
      startLender(server.url, "--recordings", shelf);
      const distributed = await run("--queue", server.url);
      expect(distributed.code).toBe(0);
      const local = await run("-w", "1");
      expect(figures(distributed.out)).toEqual(figures(local.out));
      expect(figures(local.out).length).toBeGreaterThan(6);

      expect((await run("--queue", "desk")).code).toBe(2);
      await server.kill();
      expect((await run("--queue", server.url)).code).toBe(6);
      expect(errors.at(-1)).toMatch(/^compare: /);
    },
    LONG,
  );
});
