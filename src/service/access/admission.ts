import { isDeepStrictEqual } from "node:util";
import type { Logger } from "pino";
import { validateOptics } from "../../geometry/rays.ts";
import type { SensorSetup } from "../../sense/events.ts";
import { SILENCE_AFTER } from "../../terms/freshness.ts";
import { WireError } from "../../wire/codec.ts";
import type { Draft, FromClient, Role } from "../../wire/messages.ts";
import type { Config } from "../config.ts";
import { DOES, type Mode } from "../mode.ts";
import type { HeadLink } from "../sensing/head-link.ts";
import type { Clients } from "../sockets/clients.ts";
import type { MapStore } from "../sockets/map-store.ts";
import type { Session } from "../sockets/session.ts";
import { headTime } from "../time.ts";
import { findToken } from "./tokens.ts";

const SOFTWARE = "brinkmap 0.1.0";
/** Share of `clients` that watchers leave to bases and sensors. */
const RESERVED = 0.25;
/** Sensors of a head at most. */
const MOST_SENSORS = 16;

export interface AdmissionParts {
  readonly config: Config;
  readonly log: Logger;
  readonly mode: Mode;
  readonly head: HeadLink;
  readonly clients: Clients;
  readonly map: MapStore;
}

/** Decides who is let in as what, and takes the sensors that a driver declares. */
export class Admission {
  readonly #parts: AdmissionParts;
  /** Declarations are dealt with one after the other. */
  #declaring: Promise<void> = Promise.resolve();

  constructor(parts: AdmissionParts) {
    this.#parts = parts;
  }

  /**
   * Answers a hello.
   * @throws {WireError} with the code "token", "busy", "role", "origin" or "sensor"
   */
  async admit(session: Session, hello: FromClient<"hello">): Promise<Draft<"welcome">> {
    const { log } = this.#parts;
    this.#checkToken(hello);
    this.#checkRehearsal(hello);
    this.#checkSeats(hello.role);
    if (hello.sensors !== undefined) {
      if (hello.role !== "sensor")
        throw new WireError("role", "hello", null, "hello: only a sensor declares sensors");
      await this.#declare(hello.sensors);
    }
    log.info({ session: session.id, role: hello.role, name: hello.name }, "client");
    return this.#welcome(session, hello.role);
  }

  #checkToken({ token, role }: FromClient<"hello">): void {
    const { tokens } = this.#parts.config;
    if (tokens.length === 0) return;
    const refuse = (why: string) => new WireError("token", "hello", null, `hello: ${why}`);
    const entry = findToken(tokens, token);
    if (entry === null) throw refuse("the token is missing or not known");
    if (!entry.roles.includes(role)) throw refuse(`this token is not for the role ${role}`);
  }

  #checkSeats(role: Role): void {
    const { config, clients } = this.#parts;
    const busy = (why: string) => new WireError("busy", "hello", null, `hello: ${why}`);
    if (clients.count >= config.clients) throw busy(`${config.clients} clients are here already`);
    const reserved = Math.floor(RESERVED * config.clients);
    if (role === "watcher" && clients.countOf(role) >= config.clients - reserved) {
      throw busy(`the ${reserved} seats that are left are for bases and sensors`);
    }
  }

  /** A base must know that a head is not live: its paces are of other surroundings. */
  #checkRehearsal({ role, rehearse }: FromClient<"hello">): void {
    const { origin } = this.#parts.mode;
    if (role !== "base" || origin === "live" || rehearse === true) return;
    const why = `this head ${DOES[origin]}, so its paces are not of this base's surroundings`;
    throw new WireError("origin", "hello", null, `hello: ${why}; to rehearse with it, say rehearse: true`);
  }

  #welcome({ id, mostBytes }: Session, role: FromClient<"hello">["role"]): Draft<"welcome"> {
    const { head, map, mode } = this.#parts;
    return {
      kind: "welcome",
      session: id,
      software: SOFTWARE,
      role,
      time: headTime(),
      setup: head.setup as Draft<"welcome">["setup"],
      map: { epoch: map.epoch, voxelSize: head.voxelSize, change: map.change },
      silence: 1e6 * SILENCE_AFTER,
      mostBytes,
      origin: mode.origin,
      played: mode.played?.name ?? null,
    };
  }

  #declare(sensors: readonly SensorSetup[]): Promise<void> {
    const declared = this.#declaring.then(() => this.#declareNow(sensors));
    this.#declaring = declared.catch(() => {});
    return declared;
  }

  /** Adds sensors, or gives those known by name other optics or mounts. @throws {WireError} */
  async #declareNow(declared: readonly SensorSetup[]): Promise<void> {
    const { head, mode } = this.#parts;
    const refuse = (message: string) => new WireError("sensor", "hello", null, `hello: ${message}`);
    const sensors = [...head.setup.sensors];
    for (const sensor of declared) {
      try {
        validateOptics(sensor.optics);
      } catch (error) {
        throw refuse(`sensor "${sensor.name}": ${(error as Error).message}`);
      }
      const known = sensors.findIndex(({ name }) => name === sensor.name);
      if (known >= 0 && isDeepStrictEqual(sensors[known], sensor)) continue;
      if (mode.refuses("depth")) {
        throw refuse(`this head ${DOES[mode.origin]}: its sensors are given`);
      }
      const at = known >= 0 ? known : sensors.length;
      if (at === MOST_SENSORS) throw refuse(`${MOST_SENSORS} sensors are here already`);
      sensors[at] = sensor;
    }
    if (isDeepStrictEqual(sensors, head.setup.sensors)) return;
    try {
      await head.changeSensors(sensors);
    } catch (error) {
      throw refuse((error as Error).message);
    }
  }
}
