import { randomBytes } from "node:crypto";
import { readFileSync } from "node:fs";
import { createServer, type RequestListener, type Server } from "node:http";
import { createServer as createTlsServer } from "node:https";
import { type AddressInfo, isIPv6, type Socket } from "node:net";
import type { Logger } from "pino";
import type { Setup } from "../sense/events.ts";
import { splitBlocks } from "../wire/blocks.ts";
import { ENDPOINT } from "../wire/messages.ts";
import { Admission } from "./access/admission.ts";
import { RequestGuard } from "./access/request-guard.ts";
import { makeBoard } from "./base/make-board.ts";
import type { MotorBoard } from "./base/motor-board.ts";
import { BodySettings } from "./body-settings.ts";
import type { Config } from "./config.ts";
import { Discovery } from "./discovery.ts";
import { GlanceSender } from "./glance-sender.ts";
import { Health } from "./health.ts";
import { Routes } from "./http/routes.ts";
import { StaticFiles } from "./http/static-files.ts";
import { LiveMode, type Player } from "./live-mode.ts";
import { SavedMap } from "./maps/saved-map.ts";
import { Metrics } from "./metrics.ts";
import type { Mode, ModeHost } from "./mode.ts";
import { noteOf } from "./notes.ts";
import type { FromPlaying } from "./playing/playing-messages.ts";
import { PlayingMode } from "./playing/playing-mode.ts";
import type { Played } from "./playing/recordings-folder.ts";
import { Publisher } from "./publisher.ts";
import { Readiness } from "./readiness.ts";
import { Requests, whyNoWays } from "./requests.ts";
import { HeadLink } from "./sensing/head-link.ts";
import type { Intake } from "./sensing/intake.ts";
import { Clients } from "./sockets/clients.ts";
import { Connections } from "./sockets/connections.ts";
import { FloorStore } from "./sockets/floor-store.ts";
import { MapStore } from "./sockets/map-store.ts";
import { CLOSE } from "./sockets/session.ts";
import { headTime } from "./time.ts";
import { WayTopic } from "./ways/way-topic.ts";

/** Most sockets, before and after hello. */
const MOST_SOCKETS = 1024;
/** Milliseconds between pulses; between checks for missing frames; between checks of idle connections. */
const PULSE_EVERY = 500;
const WATCH_EVERY = 50;
const CHECK_EVERY = 1_000;
/** Milliseconds without a frame after the start, until a note explains how sensors connect. */
const REMIND_AFTER = 5_000;
/** Longest waits at the end, milliseconds: for saving the map, for keeping the last minutes, for closing sockets. */
const SAVE_WITHIN = 1000;
const KEEP_WITHIN = 700;
const CLOSE_WITHIN = 300;

/** A built-in source, which is stopped with the service. */
export interface Source {
  stop(): Promise<void>;
}

export interface ServiceParts {
  readonly config: Config;
  readonly log: Logger;
  /** Supplies events instead of sensors. */
  readonly player?: Player;
  /** A recording to be played instead of sensors. Watchers control its playback. */
  readonly played?: Played;
  /** Starts built-in sources once the head is ready. */
  readonly sources?: (service: Service) => readonly Source[];
}

/** The head as a service: starts and stops its parts, and routes the head's messages to them. */
export class Service {
  readonly config: Config;
  readonly log: Logger;
  readonly map = new MapStore(newEpoch(), splitBlocks);
  /** The map of the floor. It has the epoch of the map. */
  readonly floor = new FloorStore(this.map.epoch);
  readonly metrics: Metrics;
  /** Resolves with the reason when the service has stopped, by itself or on request. */
  readonly stopped: Promise<string>;
  readonly #parts: ServiceParts;
  readonly #mode: Mode;
  readonly #head: HeadLink;
  readonly #clients: Clients;
  readonly #body: BodySettings;
  readonly #savedMap: SavedMap;
  readonly #publisher: Publisher;
  readonly #health: Health;
  readonly #readiness: Readiness;
  readonly #requests: Requests;
  readonly #connections: Connections;
  readonly #routes: Routes;
  readonly #server: Server;
  readonly #glance: GlanceSender | null;
  readonly #board: MotorBoard | null;
  readonly #ways: WayTopic;
  readonly #timers: NodeJS.Timeout[] = [];
  #sources: readonly Source[] = [];
  #discovery: Discovery | null = null;
  #isStopping = false;
  #tellStopped: (why: string) => void = () => {};

  private constructor(parts: ServiceParts) {
    const { config, log, player = null, played = null } = parts;
    this.#parts = parts;
    this.config = config;
    this.log = log;
    this.stopped = new Promise((resolve) => {
      this.#tellStopped = resolve;
    });
    this.#clients = new Clients(log);
    this.#body = new BodySettings(Object.keys(config.settings));
    const host = this.#modeHost();
    this.#mode = played === null ? new LiveMode(host, player) : new PlayingMode(host, played);
    this.#head = new HeadLink(this.#mode.parts(), this.#mode.thread(), {
      hear: (message) => this.#hear(message),
      failed: (error) => this.#fail(error, "the sensing thread failed"),
    });
    this.metrics = this.#makeMetrics();
    this.#savedMap = new SavedMap({
      // A map of a recording or of the simulator is not one of this head's surroundings, so it is not saved.
      folder: this.#mode.origin === "live" ? config.map.folder : null,
      head: this.#head,
      metrics: this.metrics,
      log,
      note: (text) => this.#clients.note("map", text, "warn"),
      noteSetting: (text) => this.#clients.note("setting", text),
    });
    this.#glance = this.#makeGlance();
    this.#board = makeBoard({
      base: config.base,
      mode: this.#mode,
      clients: this.#clients,
      head: this.#head,
      log,
      now: headTime,
    });
    this.#ways = new WayTopic({
      head: this.#head,
      clients: this.#clients,
      whyNone: () => whyNoWays(this.#mode, this.#savedMap, this.#body)?.why ?? null,
    });
    const common = {
      log,
      config,
      mode: this.#mode,
      head: this.#head,
      clients: this.#clients,
      metrics: this.metrics,
      map: this.map,
      floor: this.floor,
      savedMap: this.#savedMap,
      board: this.#board,
    };
    this.#publisher = new Publisher({
      ...common,
      glance: this.#glance,
      now: headTime,
      isAssumed: () => this.#savedMap.isAssumed,
      isSeeking: () => this.#savedMap.isSeeking,
      isConfigured: () => this.#mode.origin !== "live" || this.#body.missing.length === 0,
    });
    this.#health = new Health(common);
    this.#readiness = new Readiness({
      log,
      origin: this.#mode.origin,
      body: this.#body,
      clients: this.#clients,
      health: this.#health,
      newest: () => this.#publisher.newest(headTime()),
      url: () => this.url,
    });
    this.#requests = new Requests({
      ...common,
      body: this.#body,
      mapCleared: () => this.#replaceMap(),
    });
    const guard = new RequestGuard(config);
    this.#connections = this.#makeConnections(guard, new Admission(common));
    this.#routes = new Routes({
      ...common,
      guard,
      health: this.#health,
      takesUploads: config.recordings.folder !== null,
      takesLabels: config.recordings.labels,
      condition: () => this.#readiness.condition(),
      heads: () => (config.findHeads ? (this.#discovery?.heads ?? []) : null),
    });
    this.#server = this.#makeServer();
  }

  #makeGlance(): GlanceSender | null {
    const { glance } = this.config;
    const isLive = this.#mode.origin === "live";
    if (glance === null || !(isLive || glance.rehearse)) return null;
    return new GlanceSender(glance, isLive, this.log);
  }

  /** The service's interface to the mode. Its parts exist only after the constructor. */
  #modeHost(): ModeHost {
    const service = this;
    return {
      config: this.config,
      log: this.log,
      clients: this.#clients,
      map: this.map,
      get head() {
        return service.#head;
      },
      get savedMap() {
        return service.#savedMap;
      },
      fail: (error, what) => this.#fail(error, what),
      headRestarted: () => {
        this.#publisher.forget();
        this.#replaceMap();
      },
      replaceHead: (reason) => this.#replaceHead(reason),
    };
  }

  #makeMetrics(): Metrics {
    return new Metrics({
      clients: ["Connections after hello", () => this.#clients.count],
      sockets: ["Open connections", () => this.#clients.sockets],
      map_blocks: ["Blocks of the map", () => this.#health.blocks],
      map_wire_bytes: ["Size of the whole map for clients", () => this.map.size],
      resident_bytes: ["Memory of the process", () => process.memoryUsage.rss()],
      sensing_busy_ratio: ["Load of the sensing thread, 0 to 1", () => this.#health.busy],
      pretrigger_frames_left_out: ["Frames left out of the pre-trigger ring", () => this.#health.leftOut],
      shed_level: ["Level n of load shedding: one frame in 2^n is mapped", () => this.#health.shed],
    });
  }

  #makeConnections(guard: RequestGuard, admission: Admission): Connections {
    return new Connections({
      guard,
      log: this.log,
      clients: this.#clients,
      closed: () => {
        this.#publisher.wantPictures();
        this.#ways.refresh();
      },
      host: {
        map: this.map,
        floor: this.floor,
        now: headTime,
        admit: async (session, hello) => {
          const welcome = await admission.admit(session, hello);
          this.#connections.admitted(session);
          return welcome;
        },
        handle: (session, message) => this.#requests.handle(session, message),
        subscribed: (session) => {
          this.#publisher.wantPictures();
          this.#mode.subscribed(session);
          this.#ways.refresh();
        },
        refused: (code) => this.metrics.refused.inc({ code }),
      },
    });
  }

  #makeServer(): Server {
    const { listen, recordings } = this.config;
    const limits = {
      headersTimeout: 10_000,
      requestTimeout: recordings.folder === null ? 15_000 : 600_000, // uploads are slow
      keepAliveTimeout: 5_000,
      maxHeaderSize: 8192,
    };
    const answer: RequestListener = (request, response) => {
      this.#routes.answer(request, response).catch((error: unknown) => {
        this.log.error({ err: error }, "a request failed");
        response.destroy();
      });
    };
    const { tls } = listen;
    const pem = tls && { cert: readFileSync(tls.certificate), key: readFileSync(tls.key) };
    const server =
      pem === null ? createServer(limits, answer) : createTlsServer({ ...limits, ...pem }, answer);
    server.maxConnections = MOST_SOCKETS;
    server.on("connection", (socket: Socket) => this.#connections.opened(socket));
    server.on(tls === null ? "connection" : "secureConnection", (socket: Socket) => {
      this.#connections.speaksHttp(socket);
    });
    server.on("upgrade", (request, socket, head) => this.#connections.upgrade(request, socket, head));
    server.on("clientError", (_error, socket) => socket.destroy());
    return server;
  }

  /** @throws {ConfigError | SettingError} for settings that are not valid; the system's error when the port is taken */
  static async start(parts: ServiceParts): Promise<Service> {
    const service = new Service(parts);
    try {
      await service.#open();
    } catch (error) {
      await service.stop("could not start");
      throw error;
    }
    return service;
  }

  async #open(): Promise<void> {
    const { config, log } = this;
    this.#routes.serve(await StaticFiles.list(config.viewer));
    await this.#head.ready;
    await this.#mode.prepare();
    await new Promise<void>((resolve, reject) => {
      this.#server.once("error", reject);
      this.#server.listen(config.listen.port, config.listen.host, () => {
        this.#server.off("error", reject);
        resolve();
      });
    });
    if (config.discovery || config.findHeads) {
      this.#discovery = new Discovery({
        port: this.port,
        isTls: config.listen.tls !== null,
        announces: config.discovery,
        finds: config.findHeads,
        complain: (why) => log.warn({ why }, "heads on the network"),
      });
    }
    this.#mode.begin();
    this.#sources = this.#parts.sources?.(this) ?? [];
    this.#board?.start();
    this.#every(PULSE_EVERY, () => this.#publisher.publishPulse(this.#health.pulse()));
    this.#every(WATCH_EVERY, () => {
      this.#publisher.watch();
      this.#health.watch();
    });
    this.#every(CHECK_EVERY, () => this.#clients.check(headTime()));
    this.#timers.push(setTimeout(() => this.#readiness.remind(), REMIND_AFTER));
    if (this.#savedMap.isOn) this.#every(1000 * config.map.saveEvery, () => void this.#saveMap());
    log.info({ url: this.url, sensors: this.setup.sensors.map(({ name }) => name) }, "listening");
  }

  #every(milliseconds: number, work: () => void): void {
    this.#timers.push(setInterval(work, milliseconds));
  }

  get port(): number {
    return (this.#server.address() as AddressInfo).port;
  }

  get url(): string {
    const { host, tls } = this.config.listen;
    return `${tls === null ? "ws" : "wss"}://${isIPv6(host) ? `[${host}]` : host}:${this.port}${ENDPOINT}`;
  }

  get setup(): Setup {
    return this.#head.setup;
  }

  /** Takes the observations of built-in sources. */
  get intake(): Intake {
    return this.#head.intake;
  }

  /** Takes a source's message about its sensor, for the log and the pulse. */
  say(sensor: string, why: string): void {
    this.#health.say(sensor, why);
    this.log.info({ sensor }, why);
  }

  /** Whether the head's thread is responsive. */
  get isAlive(): boolean {
    return this.#health.isAlive;
  }

  /** Stops the service after a fatal error. A supervisor restarts it. */
  #fail(error: Error, what: string): void {
    if (this.#isStopping) return;
    this.log.fatal({ err: error }, what);
    void this.stop(`${what}: ${error.message}`);
  }

  /** Routes a message of the head to the parts that need it. */
  #hear(message: FromPlaying): void {
    this.#mode.hear(message);
    switch (message.kind) {
      case "reach":
        this.#publisher.takeReach(message);
        break;
      case "frame":
        this.#health.takeFrame(message);
        this.#publisher.publishPose(message);
        break;
      case "brinks":
        this.#publisher.publishBrinks(message);
        break;
      case "image":
      case "ground":
      case "trail":
        this.#publisher.publishPicture(message);
        break;
      case "way":
        this.#ways.hear(message);
        break;
      case "finding":
        this.#publisher.tellFinding(message);
        break;
      case "knock":
      case "waiver":
      case "track":
      case "frozen":
      case "lens": {
        if (message.kind === "track" && message.note.what === "place found") void this.#savedMap.found();
        const note = noteOf(message, this.setup.sensors);
        if (note !== null) this.#clients.note(...note);
        break;
      }
      case "skipped":
        this.#health.takeSkipped(message);
        break;
      case "load":
        this.#health.takeLoad(message);
        break;
      case "blocks":
        this.map.add(message.bytes);
        this.#clients.mapChanged();
        break;
      case "tiles":
        this.floor.take(message);
        this.#clients.mapChanged();
        break;
      case "restored":
        this.#replaceMap();
        break;
      case "resized":
        this.#resetMap();
        // Clients learn the voxel size from `welcome`. The client that asked gets its answer before.
        setImmediate(() =>
          this.#clients.closeAll(CLOSE.restart, "the voxels of the map have another size now"),
        );
        break;
      case "ready":
      case "answer":
      case "changed":
      case "done":
      case "refused":
        break; // answers, which HeadLink returns to the caller
      case "restarted":
      case "playing":
      case "baseline":
      case "recording":
        break; // handled by PlayingMode
      default:
        message satisfies never;
    }
  }

  /** Makes clients drop their map. */
  #replaceMap(): void {
    this.#resetMap();
    this.#clients.mapChanged();
  }

  #resetMap(): void {
    this.map.reset(newEpoch());
    this.floor.reset(this.map.epoch);
  }

  async #replaceHead(reason: string): Promise<void> {
    this.#health.forget();
    this.#publisher.forget();
    this.#resetMap();
    await this.#head.replace(this.#mode.parts(), this.#mode.thread());
    this.#clients.closeAll(CLOSE.restart, reason);
  }

  async #saveMap(save = () => this.#savedMap.saveIfChanged()): Promise<void> {
    try {
      await save();
    } catch (error) {
      this.#clients.note("map", (error as Error).message, "warn");
    }
  }

  /** Closes everything, after saving a changed map. */
  async stop(why = "stopped"): Promise<void> {
    if (this.#isStopping) return;
    this.#isStopping = true;
    this.#requests.stop();
    this.#connections.stop();
    for (const timer of this.#timers) clearInterval(timer);
    const sources = this.#sources.map((source) => source.stop());
    await Promise.all([...sources, this.#board?.stop(), this.#discovery?.stop()]);
    await this.#mode.end();
    const limit = new Promise<void>((resolve) => setTimeout(resolve, SAVE_WITHIN).unref());
    await Promise.race([this.#saveMap(() => this.#savedMap.saveAtEnd()), limit]);
    this.#clients.closeAll(CLOSE.goingAway, "the head stops");
    this.#glance?.close();
    await this.#head.end();
    await this.#routes.end();
    await this.#mode.pretrigger?.close(KEEP_WITHIN);
    await new Promise<void>((resolve) => {
      if (!this.#server.listening) {
        resolve();
        return;
      }
      this.#server.close(() => resolve());
      setTimeout(() => this.#server.closeAllConnections(), CLOSE_WITHIN).unref();
    });
    this.log.info({ why }, "stopped");
    this.#tellStopped(why);
  }
}

const newEpoch = (): string => randomBytes(9).toString("base64url");
