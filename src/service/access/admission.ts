import type { Logger } from "pino";
import { validateOptics } from "../../geometry/rays.ts";
import type { SensorSetup } from "../../sense/events.ts";
import { WireError } from "../../wire/codec.ts";
import { type Draft, type FromClient, RIGHTS, type Right, type Role } from "../../wire/messages.ts";
import type { Config } from "../config.ts";
import { DOES, type Mode } from "../mode.ts";
import { type HeadLink, normalizedSensor } from "../sensing/head-link.ts";
import type { Clients } from "../sockets/clients.ts";
import type { MapStore } from "../sockets/map-store.ts";
import type { Session } from "../sockets/session.ts";
import { headTime } from "../time.ts";
import { findToken, RIGHT_OF } from "./tokens.ts";

const SOFTWARE = "brinkmap 0.1.0";
/** Share of the setting `clients` that is reserved for bases and sensors. */
const RESERVED = 0.25;
/** Most sensors of a head. */
const MOST_SENSORS = 16;

export interface AdmissionParts {
  readonly config: Config;
  readonly log: Logger;
  readonly mode: Mode;
  readonly head: HeadLink;
  readonly clients: Clients;
  readonly map: MapStore;
}

/** Admits clients in their roles, and adds the sensors that a driver declares. */
export class Admission {
  readonly #parts: AdmissionParts;
  /** Declarations are handled one after the other. */
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
    const rights = this.#rightsOf(hello);
    this.#checkRehearsal(hello);
    this.#checkSeats(hello.role);
    if (hello.sensors !== undefined) {
      if (hello.role !== "sensor")
        throw new WireError("role", "hello", null, "hello: only a sensor declares sensors");
      await this.#declare(hello.sensors);
    }
    log.info({ session: session.id, role: hello.role, name: hello.name }, "client");
    return this.#welcome(session, hello.role, rights);
  }

  /** The rights of a client. Without tokens every client on this machine has all rights. @throws {WireError} */
  #rightsOf({ token, role }: FromClient<"hello">): readonly Right[] {
    const { tokens } = this.#parts.config;
    if (tokens.length === 0) return RIGHTS;
    const refuse = (why: string) => new WireError("token", "hello", null, `hello: ${why}`);
    const entry = findToken(tokens, token);
    if (entry === null) throw refuse("the token is missing or not known");
    const right = RIGHT_OF[role];
    if (!entry.rights.includes(right))
      throw refuse(`the role ${role} needs a token with the right to ${right}`);
    return entry.rights;
  }

  #checkSeats(role: Role): void {
    const { config, clients } = this.#parts;
    const busy = (why: string) => new WireError("busy", "hello", null, `hello: ${why}`);
    if (clients.count >= config.clients) throw busy(`${config.clients} clients are connected already`);
    const reserved = Math.floor(RESERVED * config.clients);
    if (role === "watcher" && clients.countOf(role) >= config.clients - reserved) {
      throw busy(`the last ${reserved} connections are reserved for bases and sensors`);
    }
  }

  /** A base must declare a rehearsal where the head is not live, because the paces are of other surroundings. */
  #checkRehearsal({ role, rehearse }: FromClient<"hello">): void {
    const { origin } = this.#parts.mode;
    if (role !== "base" || origin === "live" || rehearse === true) return;
    const why = `this head ${DOES[origin]}, so its paces are not of this base's surroundings`;
    throw new WireError("origin", "hello", null, `hello: ${why}; to rehearse with it, say rehearse: true`);
  }

  #welcome({ id, mostBytes }: Session, role: Role, rights: readonly Right[]): Draft<"welcome"> {
    const { head, map, mode } = this.#parts;
    return {
      kind: "welcome",
      session: id,
      software: SOFTWARE,
      role,
      rights: [...rights],
      time: headTime(),
      setup: head.setup as Draft<"welcome">["setup"],
      map: { epoch: map.epoch, voxelSize: head.voxelSize, change: map.change },
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

  /**
   * Adds sensors. A sensor with a known name must have the known declaration: with other optics it would give a wrong floor.
   * @throws {WireError}
   */
  async #declareNow(declared: readonly SensorSetup[]): Promise<void> {
    const { head, mode } = this.#parts;
    const refuse = (message: string) => new WireError("sensor", "hello", null, `hello: ${message}`);
    const sensors = [...head.setup.sensors];
    for (const given of declared) {
      let sensor: SensorSetup;
      try {
        validateOptics(given.optics);
        sensor = normalizedSensor(given);
      } catch (error) {
        throw refuse(`sensor "${given.name}": ${(error as Error).message}`);
      }
      const known = sensors.find(({ name }) => name === sensor.name);
      if (known !== undefined) {
        const difference = differenceOf(known, sensor);
        if (difference === null) continue;
        throw refuse(
          `sensor "${sensor.name}" is known with ${difference}; change the settings file, or give this one another name`,
        );
      }
      if (mode.refuses("depth")) throw refuse(`this head ${DOES[mode.origin]}: its sensors are given`);
      if (sensors.length === MOST_SENSORS) throw refuse(`${MOST_SENSORS} sensors are declared already`);
      sensors.push(sensor);
    }
    const added = sensors.slice(head.setup.sensors.length);
    if (added.length === 0) return;
    try {
      await head.changeSensors(sensors);
    } catch (error) {
      throw refuse((error as Error).message);
    }
    const names = added.map(({ name }) => name).join(", ");
    this.#parts.clients.note("sensor", `${names}: declared by its driver`);
  }
}

/** Tolerance for rounding between a declaration and the known one. */
const SLACK = 1e-6;

/** The first field in which a declaration differs from the known one, in words; null when they agree. */
function differenceOf(known: unknown, declared: unknown, path = ""): string | null {
  if (typeof known === "number" && typeof declared === "number") {
    if (Math.abs(known - declared) <= SLACK) return null;
  } else if (isObject(known) && isObject(declared)) {
    for (const name of new Set([...Object.keys(known), ...Object.keys(declared)])) {
      const field = path === "" ? name : `${path}.${name}`;
      const difference = differenceOf(known[name], declared[name], field);
      if (difference !== null) return difference;
    }
    return null;
  } else if (known === declared) return null;
  return `${path} ${JSON.stringify(known)}, not ${JSON.stringify(declared)}`;
}

const isObject = (value: unknown): value is Readonly<Record<string, unknown>> =>
  typeof value === "object" && value !== null;
