import { createReadStream } from "node:fs";
import { readdir } from "node:fs/promises";
import type { IncomingMessage, ServerResponse } from "node:http";
import { extname, join, relative, sep } from "node:path";

/** SHA-256 of the only script inside index.html, which loads the page again when its files were not there. A test compares them. */
const INLINE_SCRIPT = "nBlAm5oeVHR4J4uhVvpGUNILBn2gdrfTcRKWZI1Nh7Q=";

/** Content security policy: pages may load from this service only, and connect to it only. */
const POLICY = [
  "default-src 'none'",
  `script-src 'self' 'sha256-${INLINE_SCRIPT}'`,
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

/** Serves the files of one folder. They are listed when the service starts; no other path exists. */
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

  /** Answers with the file of a path. @returns false when there is none */
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

/** Sends a complete response. */
export function send(
  response: ServerResponse,
  status: number,
  type: string,
  body: string | Uint8Array,
): void {
  response.writeHead(status, { ...SAFE_HEADERS, "content-type": type, "cache-control": "no-store" });
  response.end(body);
}
