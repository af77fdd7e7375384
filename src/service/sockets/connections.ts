import type { IncomingMessage } from "node:http";
import type { Socket } from "node:net";
import type { Duplex } from "node:stream";
import type { Logger } from "pino";
import { type WebSocket, WebSocketServer } from "ws";
import { ENDPOINT, SUBPROTOCOL } from "../../wire/messages.ts";
import { addressOf, type RequestGuard, targetOf } from "../access/request-guard.ts";
import { takeOneRequestAtATime } from "../http/one-request.ts";
import type { Clients } from "./clients.ts";
import { Lobby } from "./lobby.ts";
import { type Host, Session } from "./session.ts";

/** Longest message of a client that sends no frames, bytes. */
const SMALL_MESSAGE = 64 * 1024;
/** Longest message of a client that sends frames, bytes: 1,920 x 1,200 pixels, depth and amplitude of 16 bits. */
const FRAME_MESSAGE = 4 * 1920 * 1200 + 4096;
/**
 * Compression for clients that offer it (RFC 7692; browsers do). It halves the bytes of a reach. There is no context takeover and the window
 * is small, so that a client costs memory only while a message is being compressed.
 */
const DEFLATE = {
  serverNoContextTakeover: true,
  clientNoContextTakeover: true,
  serverMaxWindowBits: 12,
  threshold: 256,
  zlibDeflateOptions: { level: 6, memLevel: 5 },
};

export interface ConnectionParts {
  readonly guard: RequestGuard;
  readonly clients: Clients;
  readonly log: Logger;
  /** The service's interface for sessions. */
  readonly host: Host;
  /** Called after a connection has ended. */
  closed(): void;
}

/** Turns HTTP upgrade requests into sessions, or refuses them. */
export class Connections {
  readonly #parts: ConnectionParts;
  readonly #small: WebSocketServer;
  readonly #large: WebSocketServer;
  readonly #lobby = new Lobby();
  readonly #sockets = new WeakMap<Session, IncomingMessage["socket"]>();
  readonly #endsHttp = new WeakMap<Socket, () => void>();
  #count = 0;
  #isStopping = false;

  constructor(parts: ConnectionParts) {
    this.#parts = parts;
    const common = { noServer: true, clientTracking: false, handleProtocols: () => SUBPROTOCOL };
    this.#small = new WebSocketServer({ ...common, perMessageDeflate: DEFLATE, maxPayload: SMALL_MESSAGE });
    this.#large = new WebSocketServer({ ...common, perMessageDeflate: false, maxPayload: FRAME_MESSAGE });
  }

  /** Refuses new connections. */
  stop(): void {
    this.#isStopping = true;
  }

  /** Takes a new TCP connection. */
  opened(socket: Socket): void {
    this.#lobby.enter(socket);
  }

  /** Takes a connection that speaks HTTP: for documents, or for an upgrade to a WebSocket. */
  speaksHttp(socket: Socket): void {
    this.#endsHttp.set(socket, takeOneRequestAtATime(socket));
  }

  /** Takes a session whose hello was accepted. */
  admitted(session: Session): void {
    this.#lobby.leave(session);
    const socket = this.#sockets.get(session);
    if (socket !== undefined) this.#lobby.admit(socket);
  }

  upgrade(request: IncomingMessage, socket: Duplex, head: Buffer): void {
    const isLarge = targetOf(request).searchParams.get("frames") === "1";
    const refusal = this.#refusalOf(request);
    if (refusal !== null) {
      const [status, why] = refusal;
      this.#parts.host.refused("upgrade");
      socket.on("error", () => {});
      const header = `Connection: close\r\nContent-Type: text/plain\r\nContent-Length: ${why.length}`;
      socket.end(`HTTP/1.1 ${status}\r\n${header}\r\n\r\n${why}`);
      return;
    }
    const server = isLarge ? this.#large : this.#small;
    this.#endsHttp.get(request.socket)?.();
    server.handleUpgrade(request, socket, head, (webSocket) => {
      const session = this.#connected(webSocket, addressOf(request.socket), isLarge);
      this.#sockets.set(session, request.socket);
      this.#lobby.addWebSocket(session, request.socket);
    });
  }

  /** Status line and text of a refusal; null for an accepted connection. */
  #refusalOf(request: IncomingMessage): readonly [status: string, why: string] | null {
    const offered = (request.headers["sec-websocket-protocol"] ?? "").split(",").map((name) => name.trim());
    const objection = this.#parts.guard.objectionTo(request);
    if (objection !== null) return ["403 Forbidden", objection];
    if (targetOf(request).pathname !== ENDPOINT) return ["404 Not Found", `the endpoint is ${ENDPOINT}`];
    if (!offered.includes(SUBPROTOCOL)) return ["400 Bad Request", `offer the sub-protocol ${SUBPROTOCOL}`];
    if (this.#isStopping) return ["503 Service Unavailable", "stopping"];
    return null;
  }

  #connected(socket: WebSocket, address: string, isLarge: boolean): Session {
    const { clients, log, host, closed } = this.#parts;
    const id = `${++this.#count}`;
    const session = new Session({ id, address }, socket, host, isLarge ? FRAME_MESSAGE : SMALL_MESSAGE);
    clients.add(session);
    socket.on("close", (code) => {
      clients.remove(session);
      this.#lobby.leave(session);
      closed();
      if (session.role !== null) log.info({ session: id, code }, "client gone");
    });
    return session;
  }
}
