// A thread that attacks a head: apart from the test's own thread, whose clients would else be late by themselves.
import { randomBytes } from "node:crypto";
import { connect } from "node:net";
import { parentPort, workerData } from "node:worker_threads";

const { kind, port, connections, size } = workerData;
let isOver = false;

/** An array of empty maps, one byte each, as a masked WebSocket message whose mask is 0 (RFC 6455, 5.2). */
function bomb() {
  const header = Buffer.alloc(14);
  header[0] = 0x82;
  header[1] = 0x80 | 127;
  header.writeBigUInt64BE(BigInt(size), 2);
  const bytes = Buffer.alloc(size, 0x80);
  bytes[0] = 0xdd;
  bytes.writeUInt32BE(size - 5, 1);
  return Buffer.concat([header, bytes]);
}

const UPGRADE = () =>
  [
    "GET /live?frames=1 HTTP/1.1",
    "Host: 127.0.0.1",
    "Connection: Upgrade",
    "Upgrade: websocket",
    "Sec-WebSocket-Version: 13",
    "Sec-WebSocket-Protocol: brinkmap.1",
    `Sec-WebSocket-Key: ${randomBytes(16).toString("base64")}`,
    "\r\n",
  ].join("\r\n");
const WHAT = {
  request: Buffer.from("GET /protocol.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"),
  bomb: [bomb()],
  pipeline: Array.from({ length: 20 }, () =>
    Buffer.from("GET /protocol.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".repeat(50)),
  ),
};

function again() {
  if (isOver) return;
  const socket = connect(port, "127.0.0.1");
  socket.on("error", () => {});
  socket.on("close", () => setTimeout(again, 20));
  socket.setTimeout(1000, () => socket.destroy());
  if (kind === "bomb") {
    socket.write(UPGRADE());
    socket.once("data", () => {
      for (const part of WHAT.bomb) socket.write(part);
    });
    socket.on("data", () => {});
  } else if (kind === "ask") {
    const timer = setInterval(() => socket.write(WHAT.request), 5);
    socket.on("close", () => clearInterval(timer));
    socket.on("data", () => {});
  } else {
    for (const part of WHAT.pipeline) socket.write(part);
    socket.on("data", () => {});
  }
}
for (let n = 0; n < connections; n++) again();
parentPort.on("message", () => {
  isOver = true;
  process.exit();
});
