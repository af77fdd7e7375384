import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { connect } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, expect, test } from "vitest";
import { SUBPROTOCOL } from "../../src/wire/messages.ts";
import { LiveHead, PATIENT } from "../helpers/live.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

let head: LiveHead;
let folder = "";
beforeAll(async () => {
  folder = mkdtempSync(join(tmpdir(), "pages-"));
  mkdirSync(join(folder, "pages", "parts"), { recursive: true });
  writeFileSync(join(folder, "pages", "index.html"), "<!doctype html><title>page</title>");
  writeFileSync(join(folder, "pages", "parts", "app.js"), "export {};");
  writeFileSync(join(folder, "secret.html"), "secret");
  head = await LiveHead.start({ ...PATIENT, viewer: join(folder, "pages") });
});
afterAll(async () => {
  await head.stop();
  rmSync(folder, { recursive: true });
});

/** Sends raw bytes and returns the answer: all of it when the head closes the connection, else what `isWhole` accepts. */
function raw(
  bytes: string | Buffer,
  isWhole: (answer: string) => boolean = () => false,
): Promise<{ text: string; bytes: Buffer }> {
  return new Promise((resolve) => {
    const socket = connect(head.service.port, "127.0.0.1", () => socket.write(bytes));
    let answer = Buffer.alloc(0);
    const done = () => {
      socket.destroy();
      resolve({ text: answer.toString("latin1"), bytes: answer });
    };
    socket.on("data", (chunk) => {
      answer = Buffer.concat([answer, chunk]);
      if (isWhole(answer.toString("latin1"))) done();
    });
    socket.on("error", () => {});
    socket.on("close", done);
  });
}

const HANDSHAKE = `GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Protocol: ${SUBPROTOCOL}\r\nSec-WebSocket-Version: 13\r\n\r\n`;

test("the handshake's accept key is that of RFC 6455, section 1.3, and the sub-protocol is echoed", async () => {
  const { text: answer } = await raw(HANDSHAKE, (text) => text.includes("\r\n\r\n"));
  expect(answer).toMatch(/^HTTP\/1\.1 101 /);
  expect(answer).toContain("Sec-WebSocket-Accept: s3pPLMBiTxaQ9kYGzzhZRbK+xOo=\r\n");
  expect(answer).toContain(`Sec-WebSocket-Protocol: ${SUBPROTOCOL}\r\n`);
});

test("the masked text frame of RFC 6455, section 5.7, is unmasked and refused as no message", async () => {
  const hello = Buffer.from("818537fa213d7f9f4d5158", "hex"); // "Hello"
  const { text } = await raw(Buffer.concat([Buffer.from(HANDSHAKE), hello]), (so) => so.includes('"code":'));
  expect(text).toContain('"code":"malformed"');
});

test("an unmasked frame from a client ends the connection with 1002 (RFC 6455, section 5.1)", async () => {
  const { bytes } = await raw(Buffer.concat([Buffer.from(HANDSHAKE), Buffer.from("810548656c6c6f", "hex")]));
  expect(bytes.subarray(-4).toString("hex")).toBe("880203ea"); // close, 2 bytes, 1002
});

const get = (path: string) => fetch(`http://127.0.0.1:${head.service.port}${path}`);

test("pages carry a content security policy that allows the head as the only source", async () => {
  const page = await get("/");
  expect(page.status).toBe(200);
  const policy = page.headers.get("content-security-policy")!;
  expect(policy).toContain("default-src 'none'");
  expect(policy).toContain("script-src 'self'");
  expect(policy).not.toMatch(/unsafe|\*/);
  expect(page.headers.get("x-content-type-options")).toBe("nosniff");
  expect((await get("/parts/app.js")).headers.get("content-type")).toMatch(/^text\/javascript/);
});

test("a path cannot leave the folder of pages", async () => {
  for (const path of [
    "/../secret.html",
    "/%2e%2e/secret.html",
    "/parts/..%2f..%2fsecret.html",
    "//secret.html",
    "/parts",
  ]) {
    const { text: answer } = await raw(
      `GET ${path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n`,
    );
    expect(answer, path).toMatch(/^HTTP\/1\.1 404 /);
    expect(answer).not.toContain("secret");
  }
});

test("health reports that frames are awaited, then that the head sees", async () => {
  const before = await get("/health");
  expect([before.status, await before.json()]).toMatchObject([503, { state: "waiting", age: null }]);
  const sensor = await head.open({ role: "sensor" });
  await head.drive(sensor, 3);
  const after = await get("/health");
  expect([after.status, await after.json()]).toMatchObject([200, { state: "clear" }]);
});

testWith(
  "python",
  "a strict OpenMetrics parser accepts the metrics, and rejects them when they are spoilt",
  async () => {
    const answer = await get("/metrics");
    expect(answer.headers.get("content-type")).toBe(
      "application/openmetrics-text; version=1.0.0; charset=utf-8",
    );
    const text = await answer.text();
    // Source: OpenMetrics 1.0.0, by the parser of python3-prometheus-client.
    const script = `
import sys, json
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse
try:
    print(json.dumps({f.name: f.type for f in parse(sys.stdin.read())}))
except ValueError as error:
    print(json.dumps({"error": str(error)}))
`;
    const read = (metrics: string) => JSON.parse(runPython(script, [], metrics)) as Record<string, string>;
    expect(read(text)).toMatchObject({
      brinkmap_frames: "counter",
      brinkmap_reach_age_seconds: "histogram",
      brinkmap_clients: "gauge",
    });
    expect(read(text.replace("# EOF", ""))).toHaveProperty("error");
    expect(read(text.replace(/le="\+Inf"/g, 'le="9"'))).toHaveProperty("error");
    expect(read(text.replace(/(brinkmap_frames_total\{.*\}) (\d+)/, "$1 -$2"))).toHaveProperty("error");
  },
);
