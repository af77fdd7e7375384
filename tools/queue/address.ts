import { isIP } from "node:net";
import type { RedisOptions } from "ioredis";
import { UsageError } from "../frame/errors.ts";

/** The queue cannot be used; the message says what to do. */
export class QueueError extends Error {
  override readonly name = "QueueError";
}

/** Where the queue is. */
export interface Server {
  readonly options: RedisOptions;
  /** For people: the address without its password. */
  readonly name: string;
}

/** Environment variable of the password, because all users of a machine can list command lines. */
export const PASSWORD = "BRINKMAP_QUEUE_PASSWORD";
const DEFAULT_PORT = 6379;

/**
 * Reads `redis://host:port` or `rediss://user@host:port`; the password may come from the environment.
 * @throws {UsageError} naming the error; another machine's address needs password and encryption
 */
export function parseServer(text: string, environment: NodeJS.ProcessEnv = process.env): Server {
  const wanted = "a queue's address is redis://127.0.0.1:6379 or rediss://<host>:6379";
  const url = URL.canParse(text) ? new URL(text) : null;
  if (url === null || !["redis:", "rediss:"].includes(url.protocol) || url.hostname === "")
    throw new UsageError(`${wanted}, got "${text.replace(/\/\/[^@/]*@/, "//")}"`);
  if (!/^\/?\d{0,3}$/.test(url.pathname) || url.search !== "" || url.hash !== "")
    throw new UsageError(`${wanted}, with nothing after it but the number of a database`);
  const host = url.hostname.replace(/^\[|\]$/g, "");
  const port = url.port === "" ? DEFAULT_PORT : Number(url.port);
  const password = decodeURIComponent(url.password) || environment[PASSWORD] || "";
  const isEncrypted = url.protocol === "rediss:";
  if (!isLoopback(host) && !(isEncrypted && password !== "")) {
    throw new UsageError(
      `${host} is another machine: take rediss:// and a password (in ${PASSWORD}), or a tunnel to a port of this machine`,
    );
  }
  const username = decodeURIComponent(url.username);
  return {
    options: {
      host,
      port,
      db: Number(url.pathname.slice(1)),
      ...(username !== "" && { username }),
      ...(password !== "" && { password }),
      ...(isEncrypted && { tls: { servername: isIP(host) === 0 ? host : "" } }),
    },
    name: `${url.protocol}//${url.host}${url.pathname.length > 1 ? url.pathname : ""}`,
  };
}

const isLoopback = (host: string): boolean => host === "localhost" || host === "::1" || /^127\./.test(host);
