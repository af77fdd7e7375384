import { createReadStream } from "node:fs";
import { readdir } from "node:fs/promises";
import type { IncomingMessage, ServerResponse } from "node:http";
import { extname, join, relative, sep } from "node:path";

/** Pages may load only what this service serves, and talk only to it. */
const POLICY = [
  "default-src 'none'",
  "script-src 'self'",
  "style-src 'self'",
  "img-src 'self' data: blob:",
  "font-src 'self'",
  "connect-src 'self'",
  "worker-src 'self'",
  "manifest-src 'self'",
  "base-uri 'none'",
  "form-action 'none'",
  "frame-ancestors 'none'",
].join("; ");

export const SAFE_HEADERS = {
  "content-security-policy": POLICY,
  "x-content-type-options": "nosniff",
  "referrer-policy": "no-referrer",
  "cross-origin-opener-policy": "same-origin",
  "cross-origin-resource-policy": "same-origin",
} as const;

const TYPES: Readonly<Record<string, string>> = {
  ".html": "text/html; charset=utf-8",
  ".js": "text/javascript; charset=utf-8",
  ".css": "text/css; charset=utf-8",
  ".json": "application/json",
  ".svg": "image/svg+xml",
  ".png": "image/png",
  ".ico": "image/x-icon",
  ".woff2": "font/woff2",
  ".webmanifest": "application/manifest+json",
};

/** Files of one folder, listed when the service starts: a path that is not in the list does not exist. */
export class StaticFiles {
  readonly #files: ReadonlyMap<string, string>;

  private constructor(files: ReadonlyMap<string, string>) {
    this.#files = files;
  }

  static async list(folder: string | null): Promise<StaticFiles> {
    const files = new Map<string, string>();
    if (folder !== null) {
      for (const entry of await readdir(folder, { withFileTypes: true, recursive: true })) {
        if (!entry.isFile() || TYPES[extname(entry.name)] === undefined) continue;
        const path = join(entry.parentPath, entry.name);
        files.set(`/${relative(folder, path).split(sep).join("/")}`, path);
      }
    }
    return new StaticFiles(files);
  }

  /** Answers when there is such a file; false when there is not. */
  serve(pathname: string, request: IncomingMessage, response: ServerResponse): boolean {
    const file = this.#files.get(pathname === "/" ? "/index.html" : pathname);
    if (file === undefined) return false;
    response.writeHead(200, {
      ...SAFE_HEADERS,
      "content-type": TYPES[extname(file)]!,
      "cache-control": "no-cache",
    });
    if (request.method === "HEAD") response.end();
    else
      createReadStream(file)
        .on("error", () => response.destroy())
        .pipe(response);
    return true;
  }
}

/** Sends a whole answer. */
export function send(
  response: ServerResponse,
  status: number,
  type: string,
  body: string | Uint8Array,
): void {
  response.writeHead(status, { ...SAFE_HEADERS, "content-type": type, "cache-control": "no-store" });
  response.end(body);
}
