import { spawn } from "node:child_process";
import { fileURLToPath } from "node:url";
import { afterEach, beforeEach, expect } from "vitest";
import type { HeadClient } from "../../src/client/client.ts";
import { LiveHead, until } from "../helpers/live.ts";
import { testWith } from "../helpers/needs.ts";
import { PYTHON } from "../helpers/python.ts";

let head: LiveHead;
let sensor: HeadClient;
beforeEach(async () => {
  head = await LiveHead.start({ blind: 0.6 });
  sensor = await head.open({ role: "sensor" });
});
afterEach(() => head.stop());

type Line = Readonly<Record<string, unknown>>;

/** Starts a script of this folder; its lines as they come, and its end. */
function run(script: string, args: readonly string[]) {
  const path = fileURLToPath(new URL(script, import.meta.url));
  const child = spawn(PYTHON, [path, head.service.url, ...args], { stdio: ["ignore", "pipe", "pipe"] });
  let out = "";
  let errors = "";
  child.stdout.on("data", (chunk) => {
    out += chunk;
  });
  child.stderr.on("data", (chunk) => {
    errors += chunk;
  });
  const end = new Promise<number | null>((resolve) => child.on("close", resolve));
  const lines = (): Line[] =>
    out
      .split("\n")
      .slice(0, -1)
      .map((line) => JSON.parse(line) as Line);
  return { lines, end, errors: () => errors, stop: () => child.kill() };
}

testWith(
  "python",
  "a robot in Python gets its answer and reach, and stops when the head falls silent",
  async () => {
    await head.drive(sensor, 40, 0.9);
    const robot = run("robot.py", ["20"]);
    const has = (check: (line: Line) => boolean) => robot.lines().some(check);
    const driving = setInterval(() => head.look(sensor, 0.9), 30);
    try {
      await until(() => has((line) => line["go"] === true), `reach (${robot.errors()})`);
      await until(() => has((line) => line["kind"] === "answer"), "the answer");
      await until(
        () => has((line) => line["kind"] === "note" && line["what"] === "knock"),
        "the knock's note",
      );
      await until(() => has((line) => typeof line["clock"] === "number"), "the clock");
    } finally {
      clearInterval(driving);
    }
    const answer = robot.lines().find((line) => line["kind"] === "answer")!;
    expect(answer).toMatchObject({ id: 7, answer: { about: "line", isFree: false } });
    // The sensor is gone: the robot stops when its pace ends, or when the head says that it is late, whichever it hears of first.
    await until(
      () => has((line) => line["stop"] === "late" || line["stop"] === "pace ended"),
      "the stop for a late head",
    );
    const again = setInterval(() => head.look(sensor, 0.9), 30);
    const goes = () => robot.lines().filter((line) => line["go"] === true).length;
    await until(() => goes() >= 2, "going on");
    clearInterval(again);
    robot.stop();
    await robot.end;
  },
);

testWith(
  "python",
  "another WebSocket implementation: sub-protocol, fragments, ping, close codes",
  async () => {
    const client = run("websocket.py", []);
    const code = await client.end;
    expect(client.errors()).toBe("");
    expect(code).toBe(0);
    expect(Object.assign({}, ...client.lines())).toEqual({
      subprotocol: "brinkmap.1",
      extensions: 1,
      fragmented: "welcome",
      pong: true,
      goodbye: 1000,
      text: "welcome",
      oversize: 1009,
      unknown: 400,
    });
  },
);
