import type { IncomingMessage } from "node:http";
import type { Socket } from "node:net";
import { hostname, networkInterfaces } from "node:os";
import { type Config, isLoopback } from "../config.ts";
import { findToken } from "./tokens.ts";

/** Path and query of a request. */
export function targetOf(request: IncomingMessage): { pathname: string; searchParams: URLSearchParams } {
  try {
    return new URL(`http://head${request.url ?? "/"}`); // not resolved as relative: "//x" would name a host
  } catch {
    return { pathname: "", searchParams: new URLSearchParams() };
  }
}

/** Network address of the other end; of IPv4 in its own form, also where the socket takes both. */
export const addressOf = ({ remoteAddress = "" }: Pick<Socket, "remoteAddress">): string =>
  remoteAddress.replace(/^::ffff:/, "");

/** Admits or refuses a request by its headers alone: host name, origin, token. */
export class RequestGuard {
  readonly #listen: Config["listen"];
  readonly #tokens: Config["tokens"];

  constructor({ listen, tokens }: Config) {
    this.#listen = listen;
    this.#tokens = tokens;
  }

  /** Whether the name is one of this machine. It blocks DNS rebinding: a foreign page whose name resolves to this machine uses another name. */
  #isOurName(host: string | undefined): boolean {
    if (host === undefined) return false;
    const listen = this.#listen;
    const name = host
      .replace(/:\d+$/, "")
      .replace(/^\[|\]$/g, "")
      .toLowerCase();
    if (isLoopback(name) || listen.names.includes(name) || name === listen.host) return true;
    if (isLoopback(listen.host)) return false;
    const own = hostname().toLowerCase();
    if (name === own || name === `${own}.local`) return true;
    return Object.values(networkInterfaces()).some((list) => list?.some(({ address }) => address === name));
  }

  /** The reason to refuse the request; null without one. A page's origin must be this service's own, or listed. */
  objectionTo(request: IncomingMessage): string | null {
    const { host, origin } = request.headers;
    if (!this.#isOurName(host)) return "this host name is not the head's; list it under listen.names";
    if (origin === undefined || this.#listen.origins.includes(origin)) return null;
    const scheme = this.#listen.tls === null ? "http" : "https";
    if (origin === `${scheme}://${host}`) return null;
    return "this origin may not connect; list it under listen.origins";
  }

  /** Whether the request has a valid token, or none is needed. */
  mayRead(request: IncomingMessage): boolean {
    if (this.#tokens.length === 0) return true;
    const token = /^Bearer (\S+)$/.exec(request.headers.authorization ?? "")?.[1];
    return findToken(this.#tokens, token) !== null;
  }
}
