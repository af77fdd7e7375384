import { randomUUID } from "node:crypto";
import { hostname } from "node:os";
import type { Connection } from "./connection.ts";

/** Start of the name of everything on the server. */
export const PREFIX = "brinkmap";

/** Versions that must be equal for bit-identical scores. */
export interface Build {
  /** SHA-256 of the program that scores. */
  readonly program: string;
  /** Version of the JavaScript engine, whose floating-point functions may change. */
  readonly engine: string;
}

export const buildOf = (program: string): Build => ({
  program,
  engine: process.versions.v8.split(".").slice(0, 2).join("."),
});

/** Each build has a queue of its own, so that a lender takes only work of its own build. */
export const queueOf = ({ program, engine }: Build): string => `tune-${program.slice(0, 16)}-v8-${engine}`;

export const describeBuild = ({ program, engine }: Build): string =>
  `program ${program.slice(0, 8)} on V8 ${engine}`;

export type Role = "tuning" | "lender";

export interface Member extends Build {
  readonly role: Role;
  readonly id: string;
  readonly machine: string;
}

/** Milliseconds between two heartbeats, and without one until a member counts as lost. */
const SIGN = 2000;
const GONE = 10_000;
const KEY = `${PREFIX}:present`;

/** The members at the queue: tunes and lenders of all builds. */
export class Present {
  readonly #connection: Connection;
  readonly #own: Member;
  readonly #timer: NodeJS.Timeout;

  constructor(connection: Connection, role: Role, build: Build) {
    this.#connection = connection;
    this.#own = { role, id: randomUUID(), machine: hostname(), ...build };
    this.#timer = setInterval(() => void this.#sign(), SIGN);
    void this.#sign();
  }

  /** By the server's clock, which all share. */
  async #now(): Promise<number> {
    const [seconds] = await this.#connection.client.time();
    return 1000 * Number(seconds);
  }

  async #sign(): Promise<void> {
    const { client } = this.#connection;
    try {
      const now = await this.#now();
      await client.zadd(KEY, now, JSON.stringify(this.#own));
      await client.zremrangebyscore(KEY, 0, now - GONE);
    } catch {} // the connection reports it when the server stays away
  }

  /** All members of a role with a recent heartbeat. */
  async all(role: Role): Promise<Member[]> {
    const found = await this.#connection.client.zrangebyscore(KEY, (await this.#now()) - GONE, "+inf");
    return found.map((text) => JSON.parse(text) as Member).filter((member) => member.role === role);
  }

  async leave(): Promise<void> {
    clearInterval(this.#timer);
    if (this.#connection.client.status !== "ready") return;
    await this.#connection.client.zrem(KEY, JSON.stringify(this.#own));
  }
}
