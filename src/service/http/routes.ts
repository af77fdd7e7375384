import { createReadStream } from "node:fs";
import type { IncomingMessage, ServerResponse } from "node:http";
import type { Logger } from "pino";
import { asyncApi } from "../../wire/asyncapi.ts";
import { addressOf, type RequestGuard, targetOf } from "../access/request-guard.ts";
import { isLoopback } from "../config.ts";
import { configSchema } from "../config-file.ts";
import type { FoundHead } from "../discovery.ts";
import type { Health } from "../health.ts";
import { MAP_FILES, type WantedFile } from "../maps/map-files.ts";
import { BusyError, joined, MapFilesThread } from "../maps/map-files-thread.ts";
import type { Metrics } from "../metrics.ts";
import type { Mode } from "../mode.ts";
import { readLabelsBeside, takeLabels } from "../playing/label-store.ts";
import { UploadError } from "../playing/recordings-folder.ts";
import type { HeadLink } from "../sensing/head-link.ts";
import type { FloorStore } from "../sockets/floor-store.ts";
import type { MapStore } from "../sockets/map-store.ts";
import { SAFE_HEADERS, type StaticFiles, send } from "./static-files.ts";

const TEXT = "text/plain; charset=utf-8";
const JSON_TYPE = "application/json";

/** Makes a constant document once, at the first request, because it takes milliseconds. */
function once(make: () => object): () => Buffer {
  let made: Buffer | null = null;
  return () => {
    made ??= Buffer.from(JSON.stringify(make()));
    return made;
  };
}
const protocolDocument = once(() => asyncApi("0.1.0"));
const configDocument = once(configSchema);

/** The condition of the head, for a supervisor. */
export interface Condition {
  readonly state: string;
  /** Seconds. */
  readonly uptime: number;
  /** Age of the newest evidence, microseconds; null before the first frame. */
  readonly age: number | null;
  /** Advice for a person, if there is any. */
  readonly hint?: string;
}

export interface RouteParts {
  readonly log: Logger;
  readonly guard: RequestGuard;
  readonly mode: Mode;
  readonly head: HeadLink;
  readonly map: MapStore;
  readonly floor: FloorStore;
  readonly metrics: Metrics;
  readonly health: Health;
  /** What the settings file allows: uploads of recordings, and labels written by a page on this machine. */
  readonly takesUploads: boolean;
  readonly takesLabels: boolean;
  condition(): Condition;
  /** Other heads on the network; null: they are not searched for. */
  heads(): readonly FoundHead[] | null;
}

/** Answers plain HTTP requests: the page's files, health and metrics, the map as a file, kept recordings, uploads, labels. */
export class Routes {
  readonly #parts: RouteParts;
  #files: StaticFiles | null = null;
  #isUploading = false;
  readonly #mapFiles = new MapFilesThread();

  constructor(parts: RouteParts) {
    this.#parts = parts;
  }

  /** Sets the files to serve. */
  serve(files: StaticFiles): void {
    this.#files = files;
  }

  async answer(request: IncomingMessage, response: ServerResponse): Promise<void> {
    // takeOneRequestAtATime no longer checks a connection after a request with a body.
    if (request.method !== "GET" && request.method !== "HEAD") response.shouldKeepAlive = false;
    const { pathname } = targetOf(request);
    const objection = this.#parts.guard.objectionTo(request);
    if (pathname.startsWith("/labels/")) await this.#answerLabels(request, response);
    else if (request.method === "PUT" && this.#parts.takesUploads) {
      await this.#takeUpload(request, response);
    } else if (request.method !== "GET" && request.method !== "HEAD") {
      send(response, 405, TEXT, "GET or HEAD\n");
    } else if (objection !== null) send(response, 403, TEXT, `${objection}\n`);
    else if (await this.#answerOpen(pathname, response)) return;
    else if (Object.hasOwn(MAP_FILES, pathname) || NEEDS_TOKEN.test(pathname)) {
      if (this.#parts.guard.mayRead(request)) await this.#answerGuarded(pathname, request, response);
      else send(response, 401, TEXT, "give a token: Authorization: Bearer ...\n");
    } else if (!this.#files?.serve(pathname, request, response)) send(response, 404, TEXT, "not found\n");
  }

  /** Answers requests that need no token. @returns whether it was one of them */
  async #answerOpen(pathname: string, response: ServerResponse): Promise<boolean> {
    if (pathname === "/health") {
      const condition = this.#parts.condition();
      const isWell = condition.state === "clear" || condition.state === "dark";
      send(response, isWell ? 200 : 503, JSON_TYPE, `${JSON.stringify(condition)}\n`);
    } else if (pathname === "/protocol.json") {
      send(response, 200, JSON_TYPE, protocolDocument());
    } else if (pathname === "/settings.schema.json") {
      send(response, 200, "application/schema+json", configDocument());
    } else return false;
    return true;
  }

  async #answerGuarded(pathname: string, request: IncomingMessage, response: ServerResponse): Promise<void> {
    const { metrics } = this.#parts;
    if (pathname === "/metrics") send(response, 200, metrics.type, await metrics.text());
    else if (Object.hasOwn(MAP_FILES, pathname)) {
      await this.#sendMap(pathname as keyof typeof MAP_FILES, response);
    } else if (pathname === "/kept") this.#listKept(response);
    else if (pathname === "/heads") {
      const heads = this.#parts.heads();
      const list = { isOn: heads !== null, heads: heads ?? [] };
      send(response, 200, JSON_TYPE, `${JSON.stringify(list)}\n`);
    } else this.#sendKept(pathname.slice("/kept/".length), request, response);
  }

  async #sendMap(path: keyof typeof MAP_FILES, response: ServerResponse): Promise<void> {
    try {
      const file = await this.#mapFiles.make(await this.#wanted(path));
      if (file === null) send(response, 404, TEXT, "no floor is known yet\n");
      else {
        response.writeHead(200, {
          ...SAFE_HEADERS,
          "content-type": MAP_FILES[path][0],
          "content-disposition": `attachment; filename="${path.slice(1)}"`,
          "content-length": file.length,
          "cache-control": "no-store",
        });
        response.end(file);
      }
    } catch (error) {
      if (!(error instanceof BusyError)) throw error;
      send(response, 503, TEXT, `${error.message}\n`);
    }
  }

  async #wanted(path: keyof typeof MAP_FILES): Promise<WantedFile> {
    const { map, floor, head, mode } = this.#parts;
    if (path === "/map.ply" || path === "/map.npy") {
      return { of: "voxels", path, bytes: await joined(map.parts), voxelSize: head.voxelSize };
    }
    const { cell, at, parts } = floor;
    const now = `${new Date().toISOString().slice(0, 19).replace("T", " ")} UTC`;
    const source = mode.played === null ? "live head" : `${mode.played.name} at ${at.toFixed(1)} s`;
    return {
      of: "floor",
      path,
      bytes: await joined(parts),
      cell,
      at,
      title: `Plan of the floor: ${source}, ${now}`,
    };
  }

  /** Ends the thread that makes files. */
  async end(): Promise<void> {
    await this.#mapFiles.end();
  }

  #listKept(response: ServerResponse): void {
    const { pretrigger } = this.#parts.mode;
    const list = {
      isOn: pretrigger !== null,
      kept: pretrigger?.kept ?? [],
      trouble: pretrigger?.trouble ?? null,
      leftOut: this.#parts.health.leftOut,
    };
    send(response, 200, JSON_TYPE, `${JSON.stringify(list)}\n`);
  }

  #sendKept(name: string, request: IncomingMessage, response: ServerResponse): void {
    const path = this.#parts.mode.pretrigger?.find(name) ?? null;
    if (path === null) {
      send(response, 404, TEXT, "there is no such recording: /kept lists them\n");
      return;
    }
    response.writeHead(200, {
      ...SAFE_HEADERS,
      "content-type": "application/octet-stream",
      "content-disposition": `attachment; filename="${name}"`,
      "cache-control": "no-store",
    });
    if (request.method === "HEAD") {
      response.end();
      return;
    }
    createReadStream(path)
      .on("error", () => response.destroy())
      .pipe(response);
  }

  /** PUT /recordings/<name>, for heads that play recordings. */
  async #takeUpload(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const { guard, log, mode } = this.#parts;
    const { recordings } = mode;
    const name = /^\/recordings\/([^/]+)$/.exec(targetOf(request).pathname)?.[1];
    const objection = guard.objectionTo(request);
    if (objection !== null) refuse(response, 403, objection);
    else if (!guard.mayRead(request)) refuse(response, 401, "give a token: Authorization: Bearer ...");
    else if (recordings === null) refuse(response, 409, "this head is live: it plays no recordings");
    else if (name === undefined) refuse(response, 404, "PUT /recordings/<name>.brk");
    else if (this.#isUploading) refuse(response, 503, "another upload is in progress");
    else {
      this.#isUploading = true;
      try {
        const recording = await recordings.take(decodeURIComponent(name), request);
        log.info({ recording }, "a recording was uploaded");
        send(response, 201, JSON_TYPE, `${JSON.stringify({ recording })}\n`);
        mode.recordingsChanged();
      } catch (error) {
        if (error instanceof UploadError) refuse(response, error.status, error.message);
        else refuse(response, 400, "the name cannot be read");
      } finally {
        this.#isUploading = false;
      }
    }
  }

  /**
   * GET /labels/<name> of the played recording: its labels, and whether this client may write them. PUT writes them, if the settings file
   * allows it, and only from this machine.
   */
  async #answerLabels(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const { guard, log, mode, takesLabels } = this.#parts;
    const tell = (answer: object): void => send(response, 200, JSON_TYPE, `${JSON.stringify(answer)}\n`);
    const objection = guard.objectionTo(request);
    const name = targetOf(request).pathname.slice("/labels/".length);
    const { played } = mode;
    const mayKeep = takesLabels && isLoopback(addressOf(request.socket));
    if (objection !== null) refuse(response, 403, objection);
    else if (!guard.mayRead(request)) refuse(response, 401, "give a token: Authorization: Bearer ...");
    else if (played === null || encodeURIComponent(played.name) !== name)
      refuse(response, 409, "labels are of the recording that is played");
    else if (request.method === "GET") tell({ mayKeep, ...(await readLabelsBeside(played.path)) });
    else if (request.method !== "PUT") refuse(response, 405, "GET or PUT");
    else if (!mayKeep)
      refuse(response, 403, "labels are kept with serve --labels only, and from this machine alone");
    else {
      try {
        await takeLabels(played.path, request);
        log.info({ recording: played.name }, "labels were kept");
        tell({});
      } catch (error) {
        if (!(error instanceof UploadError)) throw error;
        refuse(response, error.status, error.message);
      }
    }
  }
}

/** Documents that need a token, because they show rooms, the network, or how the head is used. */
const NEEDS_TOKEN = /^\/(metrics|heads|kept(\/.*)?)$/;

/** Refuses a request without reading the rest of it. */
function refuse(response: ServerResponse, status: number, why: string): void {
  response.shouldKeepAlive = false;
  send(response, status, TEXT, `${why}\n`);
}
