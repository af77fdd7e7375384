import { spawn } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterEach, describe, expect, test } from "vitest";
import { HeadClient } from "../../src/client/client.ts";
import { headTime } from "../../src/service/time.ts";
import {
  BLIND_AFTER,
  HOLD_INTERVALS,
  HOLD_LEAST,
  HOLD_MOST,
  SILENT_AFTER,
  SILENT_INTERVALS,
  WIRE_OLD,
} from "../../src/terms/freshness.ts";
import { CAMERA, LiveHead, makeSocket, OWN_BODY, until, view } from "../helpers/live.ts";
import { ObeyingBase } from "../helpers/obeying-base.ts";

// The table "When does my robot stop?" in docs/protocol.md, row by row, with the base of that page over the socket. Rows that have a test
// elsewhere: a silent stream (streams.test.ts), an assumed place (assumed.test.ts), a recording (origin.test.ts), a frozen stream and a
// lost pose (tests/head, tests/scenario).

/** Milliseconds that this machine may take for a message, its own load included. */
const SLACK = 400;

let stops: (() => unknown)[] = [];
afterEach(async () => {
  for (const stop of stops.reverse()) await stop();
  stops = [];
});

/** A camera on a base that goes 0.9 m towards a wall, so that memory holds the floor too near for its lens, and stays there. */
class Camera {
  /** What it sends in place of what it sees; null for nothing. */
  show: Uint8Array | "as it is" | null = "as it is";
  lastFrame = 0;
  readonly #timer: NodeJS.Timeout;
  #sequence = 0;
  #x = 0;

  constructor(sensor: HeadClient, base: ObeyingBase) {
    this.#timer = setInterval(() => {
      if (this.show === null) return;
      this.lastFrame = performance.now();
      const time = headTime();
      // Only on what was seen, however slowly a busy machine gets through its first frames.
      if (base.reach?.state === "clear" || base.reach?.state === "unconfigured")
        this.#x = Math.min(0.9, this.#x + 0.025);
      sensor.observe({
        kind: "reference",
        time,
        pose: { rotation: [0, 0, 0, 1], position: [this.#x, 0, 0] },
      });
      const counts = this.show === "as it is" ? view(2 - this.#x) : this.show;
      const frame = { kind: "depth", sensor: "front", form: "u16", amplitude: null } as const;
      sensor.observe({ ...frame, time, sequence: this.#sequence++, counts });
    }, 33);
  }

  end(): void {
    clearInterval(this.#timer);
  }
}

/** A base that drives by a head with the shipped limits of age. */
async function driving(body: object | null = OWN_BODY) {
  const head = await LiveHead.start({ settings: body });
  stops.push(() => head.stop());
  const sensor = await head.open({ role: "sensor" });
  const base = new ObeyingBase(await head.open({ role: "base" }));
  stops.push(() => base.end());
  const camera = new Camera(sensor, base);
  stops.push(() => camera.end());
  if (body !== null) await until(() => base.limit > 0, "the drive");
  return { head, base, camera };
}

test("late, then blind: a camera that stops stops the base when its pace ends", async () => {
  const { base, camera } = await driving();
  camera.show = null;
  await until(() => base.limit === 0, "the stop");
  const after = base.stoppedAt - camera.lastFrame;
  // The pace ends when the head says "late": either may come first.
  expect(["late", "silence"]).toContain(base.cause);
  expect(after).toBeGreaterThan(1000 * HOLD_LEAST - 50);
  expect(after).toBeLessThan(1000 * HOLD_MOST + SLACK);
  await until(() => base.reach!.state === "late", "late");
  expect(base.reach!.pace?.forward ?? 0).toBe(0);
  await until(() => base.reach!.state === "blind", "blind");
  expect(performance.now() - camera.lastFrame).toBeLessThan(1000 * BLIND_AFTER + SLACK);
});

test.each([
  ["covered", new Uint16Array(160 * 120).fill(120)],
  ["blind", new Uint16Array(160 * 120)],
])("%s: one such frame stops the base", async (state, counts) => {
  const { base, camera } = await driving();
  const changed = performance.now();
  camera.show = new Uint8Array(counts.buffer);
  await until(() => base.limit === 0, "the stop");
  expect(base.stoppedAt - changed).toBeLessThan(33 + SLACK);
  await until(() => base.reach!.state === state, `the state ${state}`);
  expect(base.reach!.pace?.forward ?? 0).toBe(0);
});

test("unconfigured: a base whose outline and brakes were never set stands, until they are", async () => {
  const { base, head } = await driving(null);
  await until(() => base.reach?.state === "unconfigured", "the state");
  expect(base.reach!.pace).toBeNull();
  expect(base.limit).toBe(0);
  const engineer = await head.open();
  const { "body.footprint": outline, ...brakes } = OWN_BODY;
  await engineer.settings(brakes);
  await head.pulses();
  expect(base.reach!.state).toBe("unconfigured");
  await engineer.settings({ "body.footprint": outline! });
  await until(() => base.limit > 0, "the drive");
});

describe("a head in a process of its own", () => {
  const serve = fileURLToPath(new URL("../../dist/tools/serve.js", import.meta.url));

  async function served(folder: string, port: number) {
    const config = {
      sensors: [CAMERA],
      settings: OWN_BODY,
      baseFromHead: { rotation: [0, 0, 0, 1], position: [0, 0, 0.5] },
    };
    writeFileSync(join(folder, "head.json"), JSON.stringify(config));
    const args = [serve, "--port", String(port), "--quiet", "--config", join(folder, "head.json")];
    const child = spawn(process.execPath, args, { stdio: ["ignore", "pipe", "ignore"] });
    let out = "";
    child.stdout.on("data", (chunk) => {
      out += chunk;
    });
    await until(() => out.includes("The head is at ws://"), "the address");
    return { child, url: /ws:\S+/.exec(out)![0] };
  }

  test("killed head: the base stops by itself; after a restart it stands until a frame permits motion", async () => {
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-stop-"));
    stops.push(() => rmSync(folder, { recursive: true }));
    const first = await served(folder, 0);
    stops.push(() => first.child.kill("SIGKILL"));
    const open = async (role: "base" | "sensor") => {
      const client = new HeadClient({ url: first.url, role, makeSocket, now: headTime });
      stops.push(() => client.close());
      await until(() => client.isOpen, role);
      return client;
    };
    const sensor = await open("sensor");
    const client = await open("base");
    const base = new ObeyingBase(client);
    stops.push(() => base.end());
    client.on("open", () => client.subscribe({ reach: 100 }));
    const camera = new Camera(sensor, base);
    stops.push(() => camera.end());
    await until(() => base.limit > 0, "the drive");
    camera.show = null;
    const closed = new Promise((resolve) => first.child.once("close", resolve));
    first.child.kill("SIGKILL");
    const killed = performance.now();
    await until(() => base.limit === 0, "the stop");
    expect(base.cause).toBe("silence");
    expect(base.stoppedAt - killed).toBeLessThan(1000 * HOLD_MOST + SLACK);
    await closed;
    const second = await served(folder, Number(new URL(first.url.replace("ws:", "http:")).port));
    stops.push(() => second.child.kill("SIGKILL"));
    await until(() => client.isOpen && base.reach!.state === "waiting", "the new head");
    expect(base.limit).toBe(0);
    await until(() => sensor.isOpen, "the sensor");
    const again = new Camera(sensor, base);
    stops.push(() => again.end());
    await until(() => base.limit > 0, "the drive again");
  });
});

test("the table has the times that the head uses", () => {
  const page = readFileSync(new URL("../../docs/protocol.md", import.meta.url), "utf8");
  const row = (cause: string): string => page.split("\n").find((line) => line.startsWith(`| ${cause}`)) ?? "";
  expect(row("evidence is late")).toContain(
    `${HOLD_INTERVALS} frame intervals, but ${HOLD_LEAST} to ${HOLD_MOST} s`,
  );
  expect(row("one of several cameras is silent")).toContain(
    `${SILENT_AFTER} s, or ${SILENT_INTERVALS} of its frame intervals`,
  );
  expect(row("the camera is silent")).toContain(`${BLIND_AFTER} s after its last frame`);
  expect(row("a motor board hears no pace")).toContain(`${1000 * WIRE_OLD} ms`);
});
