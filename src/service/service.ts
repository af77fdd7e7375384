import { randomBytes } from "node:crypto";
import { createSocket } from "node:dgram";
import { createReadStream, readFileSync } from "node:fs";
import {
  createServer,
  type IncomingMessage,
  type RequestListener,
  type Server,
  type ServerResponse,
} from "node:http";
import { createServer as createTlsServer } from "node:https";
import { type AddressInfo, isIPv6 } from "node:net";
import { hostname, networkInterfaces } from "node:os";
import type { Duplex } from "node:stream";
import { isDeepStrictEqual } from "node:util";
import { MessageChannel, Worker } from "node:worker_threads";
import type { Logger } from "pino";
import { type WebSocket, WebSocketServer } from "ws";
import type { Pose } from "../geometry/optics.ts";
import { validateOptics } from "../geometry/rays.ts";
import { normalizeRotation } from "../geometry/rigid.ts";
import type { TrackState } from "../head/outputs.ts";
import { resolveSettings, SETTINGS, SettingError, type Settings } from "../head/settings.ts";
import type { SensorSetup, Setup } from "../sense/events.ts";
import { SILENCE_AFTER } from "../terms/freshness.ts";
import { END } from "../terms/safety.ts";
import type { TrackNote } from "../track/tracker.ts";
import { asyncApi } from "../wire/asyncapi.ts";
import { SharedMessage, WireError } from "../wire/codec.ts";
import { encodeGlance, glanceOf } from "../wire/datagram.ts";
import {
  type Draft,
  ENDPOINT,
  type FromClient,
  type SettingRow,
  SUBPROTOCOL,
  type Topic,
} from "../wire/messages.ts";
import { Batch } from "./batch.ts";
import { type Config, ConfigError, configSchema, isLoopback } from "./config.ts";
import { Announcer } from "./discovery.ts";
import { type FrameSlotMemory, frameSlotMemory, overtakenIn } from "./frame-slot.ts";
import { Intake } from "./intake.ts";
import { readLabelsBeside, takeLabels } from "./label-store.ts";
import { MAP_FILES, sendMap } from "./map-files.ts";
import { MapSaver } from "./map-saver.ts";
import { MapStore } from "./map-store.ts";
import { Metrics } from "./metrics.ts";
import type { PicturesWanted } from "./pictures.ts";
import type { FromPlaying, PlayingStart, ToPlaying } from "./playing.ts";
import { PretriggerLink } from "./pretrigger/link.ts";
import type { ReachBody } from "./reach-body.ts";
import { type Played, RecordingsFolder, readPlayed, UploadError } from "./recordings-folder.ts";
import {
  addCounts,
  type EventTotals,
  type FromSensing,
  type SensedFrame,
  type SensedReach,
  type SensingStart,
} from "./sensing.ts";
import { CLOSE, type Host, Session } from "./session.ts";
import { headTime } from "./time.ts";
import { findToken } from "./tokens.ts";
import { WaiverInForce } from "./waiver.ts";
import { SAFE_HEADERS, StaticFiles, send } from "./web.ts";

const SOFTWARE = "brinkmap 0.1.0";
/** Longest message of a client that sends no frames, bytes. */
const SMALL_MESSAGE = 64 * 1024;
/**
 * Compression for clients that offer it (RFC 7692; browsers do): half the bytes of a reach. No history is kept between
 * messages, and the window is small, so that a client costs memory only while a message is being packed.
 */
const DEFLATE = {
  ...{
    serverNoContextTakeover: true,
    clientNoContextTakeover: true,
    serverMaxWindowBits: 12,
    threshold: 256,
  },
  zlibDeflateOptions: { level: 6, memLevel: 5 },
};
/** Sockets at most, said hello or not. */
const MOST_SOCKETS = 1024;
/** Connections for frames that have not said hello: each may hold a large message. */
const MOST_OPENING_SENSORS = 8;
/** Microseconds without a reach after which a base must stop. */
const SILENCE = 1e6 * SILENCE_AFTER;
const PULSE_EVERY = 500;
/** Pulses over which rates are taken. */
const RATE_PULSES = 5;
/** Before the first frame. */
const NOTHING_SEEN: ReachBody = {
  ...{
    state: "blind",
    source: "frame",
    first: 0,
    step: 2 * Math.PI,
    range: 0,
    distanceMm: [0],
    what: [END.unseen],
  },
  ...{ agesMs: null, pace: null, waiver: null },
};
const STANDING: NonNullable<ReachBody["pace"]> = {
  ...{
    forward: 0,
    backward: 0,
    left: 0,
    right: 0,
    arcsForward: [],
    arcsBackward: [],
    roomMm: 0,
    limit: END.unseen,
  },
};
const WATCH_EVERY = 50;
/** Times as long between messages to watchers, at most, while work is shed. */
const MOST_STRETCH = 4;
/** What comes often, and nobody waits for. */
const CALM: ReadonlySet<string> = new Set(["orientation", "inertial", "reference", "mount", "motion"]);
/** A second, whatever is asked for. */
const MOST_PICTURES = 10;
/** What a head that plays a recording does not take. */
const FROM_OUTSIDE: ReadonlySet<string> = new Set([
  ...["depth", "knock", "floorcheck", "waiver", "orientation", "inertial", "reference", "mount", "motion"],
]);
/** Microseconds between looks for changed blocks. */
const BLOCKS_EVERY = 200_000;
/** Frame costs kept for the pulse. */
const COSTS = 256;

/** A whole head's worth of events from a thread of its own, instead of live sensors: a recording, the simulator. */
export interface Player {
  readonly setup: Setup;
  readonly settings: Readonly<Record<string, unknown>>;
  /** The thread's script; it gets `data`, the slots and a port to the sensing thread (PlayerStart). */
  readonly script: URL;
  readonly data: unknown;
}

/** What a player's thread is given. */
export interface PlayerStart {
  readonly slots: readonly FrameSlotMemory[];
  readonly port: import("node:worker_threads").MessagePort;
  readonly data: unknown;
}

/** A source inside the service, to be stopped with it. */
export interface Source {
  stop(): Promise<void>;
}

export interface ServiceParts {
  readonly config: Config;
  readonly log: Logger;
  readonly player?: Player;
  /** A recording to be played instead: one that can be moved about in. */
  readonly played?: Played;
  /** Starts built-in sources once the head is ready. */
  readonly sources?: (service: Service) => readonly Source[];
}

/** Whether this file is the source or what was compiled of it: a thread of its own needs the latter. */
const SENSING_SCRIPT = import.meta.url.endsWith(".ts")
  ? new URL("../../dist/src/service/sensing-worker.js", import.meta.url)
  : new URL("./sensing-worker.js", import.meta.url);

const PLAYING_SCRIPT = new URL(
  SENSING_SCRIPT.pathname.replace("sensing-worker", "playing-worker"),
  SENSING_SCRIPT,
);

/** The table of settings without the checks of texts, which stay here. */
const SETTING_ROWS: Readonly<Record<string, SettingRow>> = Object.fromEntries(
  Object.entries(SETTINGS).map(([name, row]) => [
    name,
    row.type === "text" ? { type: row.type, default: row.default, help: row.help } : row,
  ]),
);

interface Ticket {
  readonly resolve: (message: FromSensing) => void;
  readonly reject: (error: Error) => void;
}

interface SensorWatch {
  isSilent: boolean;
  /** Times of frames within the last seconds. */
  recent: number[];
  skipped: number;
  missed: number;
  frames: number;
  newest: number | null;
  why: string | null;
}

/** The head, live: sockets, sources, the sensing thread, and what is kept on disk. */
export class Service implements Host {
  readonly config: Config;
  readonly log: Logger;
  readonly map: MapStore;
  readonly metrics: Metrics;
  readonly #parts: ServiceParts;
  readonly #server: Server;
  readonly #small: WebSocketServer;
  readonly #large: WebSocketServer;
  readonly #sessions = new Set<Session>();
  readonly #openingSensors = new Set<Session>();
  readonly #saver: MapSaver | null;
  readonly #timers: NodeJS.Timeout[] = [];
  readonly #tickets = new Map<number, Ticket>();
  readonly #started = headTime();
  readonly #mostFrame: number;
  #sockets = 0;
  #sessionCount = 0;
  #files: StaticFiles | null = null;
  #sensing: Worker;
  #player: Worker | null = null;
  /** The recording that is played; null when the head is live. */
  #played: Played | null;
  readonly #recordings: RecordingsFolder | null;
  /** Of a recording, the newest of each topic. */
  readonly #newest = new Map<Exclude<Topic, "map" | "notes">, SharedMessage>();
  #moments: Draft<"recording"> | null = null;
  #sources: readonly Source[] = [];
  #slots: FrameSlotMemory[];
  #setup: Setup;
  #settings: Settings;
  #voxelSize = 0;
  #nextTicket = 1;
  readonly #watches = new Map<string, SensorWatch>();
  readonly #costs: number[] = [];
  #load = { busy: 0, shed: 0 };
  #blocks = 0;
  #revision = 0;
  #savedRevision = 0;
  #savedAt: string | null = null;
  #last: SensedReach | null = null;
  #lastState: Draft<"reach">["state"] = "blind";
  readonly #waiver = new WaiverInForce();
  #lastReachAt = 0;
  #glanceNumber = 0;
  #glance: ReturnType<typeof createSocket> | null = null;
  #announcer: Announcer | null = null;
  readonly #pretrigger: PretriggerLink | null;
  /** Frames that the pretrigger had no time for. */
  #leftOut = 0;
  #isStopping = false;
  intake: Intake;
  /** Resolves when the service has stopped by itself or was stopped: why. */
  readonly stopped: Promise<string>;
  #tellStopped: (why: string) => void = () => {};

  private constructor(parts: ServiceParts) {
    const { config, log, player, played = null } = parts;
    this.#parts = parts;
    this.config = config;
    this.log = log;
    this.#played = played;
    const { folder, most } = config.recordings;
    this.#recordings = folder === null ? null : new RecordingsFolder(folder, most);
    this.#setup = (played ?? player)?.setup ?? {
      ...{ sensors: config.sensors },
      ...{ baseFromHead: config.baseFromHead, headFromImu: config.headFromImu },
    };
    this.#setup = normalized(this.#setup);
    this.#settings = resolveSettings({ ...(played ?? player)?.settings, ...config.settings });
    this.#slots = this.#setup.sensors.map(slotOf);
    this.#mostFrame = 4 * 1920 * 1200 + 4096;
    this.map = new MapStore(newEpoch());
    this.stopped = new Promise((resolve) => {
      this.#tellStopped = resolve;
    });
    this.#pretrigger =
      config.pretrigger === null || played !== null
        ? null
        : new PretriggerLink(config.pretrigger, (text) => {
            this.#note("pretrigger", text);
            this.log.info({ pretrigger: text }, "pretrigger");
          });
    this.#sensing = this.#startSensing();
    this.intake = new Intake(this.#setup, this.#slots, (message) => this.#toSensing(message), headTime);
    this.#saver = config.map.folder === null ? null : new MapSaver(config.map.folder);
    this.metrics = new Metrics({
      clients: ["Connections that have said hello", () => this.#clients()],
      sockets: ["Open connections", () => this.#sockets],
      map_blocks: ["Blocks of the map", () => this.#blocks],
      map_wire_bytes: ["The whole map as clients get it", () => this.map.size],
      resident_bytes: ["Memory of the process", () => process.memoryUsage.rss()],
      sensing_busy_ratio: ["Share of time that the sensing thread works", () => this.#load.busy],
      pretrigger_frames_left_out: ["Frames that the pretrigger had no time for", () => this.#leftOut],
      shed_level: ["How much mapping is shed: one frame in 2^n is mapped", () => this.#load.shed],
    });
    const answer: RequestListener = (request, response) => void this.#answer(request, response);
    const limits = {
      headersTimeout: 10_000,
      requestTimeout: config.recordings.folder === null ? 15_000 : 600_000, // an upload takes its time
      keepAliveTimeout: 5_000,
      maxHeaderSize: 8192,
    };
    const { tls } = config.listen;
    this.#server =
      tls === null
        ? createServer(limits, answer)
        : createTlsServer(
            { ...limits, cert: readFileSync(tls.certificate), key: readFileSync(tls.key) },
            answer,
          );
    this.#server.maxConnections = MOST_SOCKETS;
    const common = {
      noServer: true,
      clientTracking: false,
      handleProtocols: () => SUBPROTOCOL,
    };
    this.#small = new WebSocketServer({ ...common, perMessageDeflate: DEFLATE, maxPayload: SMALL_MESSAGE });
    this.#large = new WebSocketServer({ ...common, perMessageDeflate: false, maxPayload: this.#mostFrame });
    this.#server.on("upgrade", (request, socket, head) => this.#upgrade(request, socket, head));
    this.#server.on("clientError", (_error, socket) => socket.destroy());
  }

  /** @throws {ConfigError | SettingError} for settings that do not fit; the system's error when the port is taken */
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
    this.#files = await StaticFiles.list(config.viewer);
    const ready = await this.#ready;
    this.#voxelSize = ready.voxelSize;
    this.#settings = ready.settings;
    if (this.#saver !== null && config.map.load && this.#played === null) await this.#loadMap(this.#saver);
    await new Promise<void>((resolve, reject) => {
      this.#server.once("error", reject);
      this.#server.listen(config.listen.port, config.listen.host, () => {
        this.#server.off("error", reject);
        resolve();
      });
    });
    if (config.glance !== null) {
      this.#glance = createSocket(isIPv6(config.glance.host) ? "udp6" : "udp4");
      this.#glance.on("error", (error) => log.warn({ why: error.message }, "glance datagram not sent"));
      this.#glance.unref();
    }
    if (config.discovery) {
      this.#announcer = new Announcer(this.port, config.listen.tls !== null, (why) =>
        log.warn({ why }, "the head could not be announced"),
      );
    }
    if (this.#parts.player) this.#startPlayer(this.#parts.player);
    this.#sources = this.#parts.sources?.(this) ?? [];
    this.#every(PULSE_EVERY, () => this.#pulse());
    this.#every(WATCH_EVERY, () => this.#watch());
    this.#every(5_000, () => {
      for (const session of this.#sessions) session.check(headTime());
    });
    if (this.#saver !== null) this.#every(1000 * config.map.saveEvery, () => void this.#autosave());
    log.info({ url: this.url, sensors: this.#setup.sensors.map(({ name }) => name) }, "listening");
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
    return this.#setup;
  }

  now(): number {
    return headTime();
  }

  // --- the sensing thread ---

  #tellReady: (ready: FromSensing & { kind: "ready" }) => void = () => {};
  #failReady: (error: Error) => void = () => {};
  #ready!: Promise<FromSensing & { kind: "ready" }>;

  #startSensing(): Worker {
    this.#ready = new Promise((resolve, reject) => {
      this.#tellReady = resolve;
      this.#failReady = reject;
    });
    this.#ready.catch(() => {});
    const start: SensingStart = {
      ...{ setup: this.#setup, settings: this.#settings, slots: this.#slots, blocksEvery: BLOCKS_EVERY },
      pretrigger: this.#pretrigger?.port ?? null,
    };
    const played: PlayingStart | null = this.#played && { ...start, path: this.#played.path };
    const worker = new Worker(played === null ? SENSING_SCRIPT : PLAYING_SCRIPT, {
      workerData: played ?? start,
      transferList: this.#pretrigger === null ? [] : [this.#pretrigger.port],
      // Little is made anew per frame; the default would keep tens of megabytes of it.
      resourceLimits: { maxYoungGenerationSizeMb: 8 },
    });
    worker.on("message", (messages: readonly FromPlaying[]) => {
      for (const message of messages) this.#hear(message);
    });
    worker.on("error", (error) => {
      if (worker !== this.#sensing) return; // its recording is not played any more
      this.#failReady(error);
      this.#fail(error, "the sensing thread failed");
    });
    return worker;
  }

  /** Something that cannot be gone on from: whoever started the service starts it anew. */
  #fail(error: Error, what: string): void {
    if (this.#isStopping) return;
    this.log.fatal({ err: error }, what);
    void this.stop(`${what}: ${error.message}`);
  }

  #hear(message: FromPlaying): void {
    this.#pretrigger?.watch(message);
    switch (message.kind) {
      case "restarted":
        this.map.reset(newEpoch());
        this.#last = null;
        for (const topic of ["image", "ground", "trail"] as const) this.#newest.delete(topic);
        for (const session of this.#sessions) session.outbox?.pump();
        break;
      case "playing":
        this.#offer("playing", new SharedMessage({ ...message, time: headTime() }));
        break;
      case "baseline":
        this.#offer("baseline", new SharedMessage({ ...message, time: headTime() }));
        break;
      case "recording":
        void this.#tellRecording(message);
        break;
      case "ready":
        this.#tellReady(message);
        break;
      case "reach":
        this.#takeReach(message);
        break;
      case "frame":
        this.#publishFrame(message);
        break;
      case "brinks": {
        const brinks = message.brinks.map(({ drop, ...brink }) => ({
          ...brink,
          drop: Number.isFinite(drop) ? drop : null,
        }));
        this.#offer("brinks", new SharedMessage({ kind: "brinks", time: message.time, brinks }));
        break;
      }
      case "image": {
        const sensor = this.#setup.sensors[message.sensor]?.name ?? "";
        this.#offer("image", new SharedMessage({ ...message, sensor }));
        break;
      }
      case "ground":
      case "trail":
        this.#offer(message.kind, new SharedMessage(message));
        break;
      case "finding":
        this.#tellFinding(message);
        break;
      case "knock": {
        const place = message.point.map((v) => v.toFixed(2)).join(", ");
        if (!message.isRepeat) this.#note("knock", `at ${place} m of the base`);
        break;
      }
      case "waiver":
        this.#waiver.take(message);
        this.#note(
          "waiver",
          `${message.state}: ${message.direction}, ${message.seconds} s, ${message.reason}`,
        );
        break;
      case "track":
        this.#note("pose", trackText(message.note));
        break;
      case "skipped":
        this.#skipped(message.sensor, message.why, message.detail);
        break;
      case "blocks":
        this.map.add(message.bytes);
        for (const session of this.#sessions) session.outbox?.pump();
        break;
      case "load":
        this.#lastLoad = headTime();
        if (message.shed !== this.#load.shed) {
          const text =
            message.shed === 0
              ? "every frame is mapped again"
              : `one frame in ${2 ** message.shed} is mapped`;
          this.#note("load", text);
        }
        this.#load = { busy: message.busy, shed: message.shed };
        for (const session of this.#sessions) {
          if (session.role === "watcher" && session.outbox !== null)
            session.outbox.stretch = Math.min(MOST_STRETCH, 2 ** message.shed);
        }
        this.#blocks = message.blocks;
        this.#revision = message.revision;
        for (const [kind, count] of Object.entries(message.events)) this.metrics.events.inc({ kind }, count);
        addCounts(this.#events, message.events);
        this.#leftOut = message.leftOut;
        break;
      case "answer":
      case "changed":
      case "done":
        this.#tickets.get(message.ticket)?.resolve(message);
        this.#tickets.delete(message.ticket);
        break;
      case "refused":
        this.#tickets.get(message.ticket)?.reject(new SettingError(message.message));
        this.#tickets.delete(message.ticket);
        break;
      default:
        message satisfies never;
    }
  }

  async #tellRecording(message: Extract<FromPlaying, { kind: "recording" }>): Promise<void> {
    const names = (await this.#recordings?.names()) ?? [];
    const name = this.#played?.name ?? "";
    this.#moments = {
      ...message,
      moments: [...message.moments],
      name,
      names,
      most: this.#recordings?.most ?? null,
    };
    this.#offer("recording", new SharedMessage(this.#moments));
  }

  /** A recording may stand still: whoever comes then is shown what the others were. */
  subscribed(session: Session): void {
    this.#wantPictures();
    if (session.role !== "watcher") return;
    for (const [topic, message] of this.#newest) session.outbox?.offer(topic, message);
  }

  #picturesWanted = "";

  /** The sensing thread makes pictures as often as whoever wants most of them, and within bounds. */
  #wantPictures(): void {
    const every = (topic: keyof PicturesWanted): number => {
      let rate = 0;
      for (const session of this.#sessions) rate = Math.max(rate, session.outbox?.rateOf(topic) ?? 0);
      return rate === 0 ? 0 : 1e6 / Math.min(rate, MOST_PICTURES);
    };
    const wanted = { image: every("image"), ground: every("ground"), trail: every("trail") };
    const text = JSON.stringify(wanted);
    if (text === this.#picturesWanted) return;
    this.#picturesWanted = text;
    this.#toSensing({ kind: "pictures", wanted });
  }

  /** Plays another recording of the folder; everyone is sent away, and comes back to that one. */
  async #openRecording(name: string): Promise<void> {
    const refuse = (why: string) => new WireError("recording", "open", null, `open: ${why}`);
    const path = (await this.#recordings?.find(name)) ?? null;
    if (path === null) throw refuse(`there is no recording "${name}"`);
    let played: Played;
    try {
      played = await readPlayed(path);
      resolveSettings({ ...played.settings, ...this.config.settings });
    } catch (error) {
      throw refuse(`"${name}" cannot be played: ${(error as Error).message}`);
    }
    const before = this.#sensing;
    this.#played = played;
    this.#setup = normalized(played.setup);
    this.#settings = resolveSettings({ ...played.settings, ...this.config.settings });
    this.#slots = this.#setup.sensors.map(slotOf);
    this.intake.change(this.#setup, this.#slots);
    this.#watches.clear();
    this.#costs.length = 0;
    this.#newest.clear();
    this.#last = this.#moments = null;
    for (const { reject } of this.#tickets.values()) reject(new SettingError("another recording is played"));
    this.#tickets.clear();
    this.map.reset(newEpoch());
    this.#picturesWanted = "";
    this.#sensing = this.#startSensing();
    before.removeAllListeners("message");
    await before.terminate();
    const ready = await this.#ready;
    this.#voxelSize = ready.voxelSize;
    for (const session of this.#sessions) session.close(CLOSE.restart, `${name} is played now`);
  }

  readonly #orders = new Batch<ToPlaying>((orders, moved) => this.#sensing.postMessage(orders, [...moved]));

  /** What came of the sensors goes with all that was read along with it; a frame, a contact and the like at once. */
  #toSensing(message: ToPlaying, moved: readonly ArrayBuffer[] = []): void {
    this.#orders.add(message, moved);
    if (message.kind !== "event" || !CALM.has(message.event.kind)) this.#orders.send();
  }

  /** Asks the sensing thread for something and waits for its answer. */
  #request<K extends FromSensing["kind"]>(
    make: (ticket: number) => ToPlaying,
    transfer: ArrayBuffer[] = [],
  ): Promise<FromSensing & { kind: K }> {
    const ticket = this.#nextTicket++;
    return new Promise((resolve, reject) => {
      this.#tickets.set(ticket, { resolve: resolve as Ticket["resolve"], reject });
      this.#toSensing(make(ticket), transfer);
    });
  }

  #startPlayer(player: Player): void {
    const { port1, port2 } = new MessageChannel();
    this.#sensing.postMessage({ kind: "port", port: port1 }, [port1]);
    const workerData: PlayerStart = { slots: this.#slots, port: port2, data: player.data };
    this.#player = new Worker(player.script, { workerData, transferList: [port2] });
    this.#player.on("error", (error) => this.#fail(error, "the player failed"));
  }

  // --- what comes from the head ---

  #watchOf(name: string): SensorWatch {
    let watch = this.#watches.get(name);
    if (watch === undefined) {
      watch = { isSilent: false, recent: [], skipped: 0, missed: 0, frames: 0, newest: null, why: null };
      this.#watches.set(name, watch);
    }
    return watch;
  }

  /** What a source says of its sensor, for the pulse. */
  say(sensor: string, why: string): void {
    this.#watchOf(sensor).why = why;
    this.log.info({ sensor }, why);
  }

  #publishFrame(frame: SensedFrame): void {
    const now = headTime();
    const name = this.#setup.sensors[frame.sensor]?.name ?? "";
    const watch = this.#watchOf(name);
    watch.frames++;
    watch.missed += frame.missed;
    watch.newest = frame.time;
    watch.recent.push(now);
    const pose = new SharedMessage({
      ...{
        kind: "pose",
        time: frame.time,
        worldFromBase: frame.worldFromBase,
        class: frame.track?.hold ?? this.#settings["pose.source"],
      },
      ...{
        covariance: frame.track === null ? null : this.#covarianceOf(frame.track),
        revision: frame.revision,
      },
    });
    this.#offer("pose", pose);
    this.metrics.frames.inc({ sensor: name });
    if (frame.missed > 0) this.metrics.missed.inc({ sensor: name }, frame.missed);
    this.metrics.cost.observe(frame.cost / 1000);
    if (this.#costs.push(frame.cost) > COSTS) this.#costs.shift();
    if (watch.isSilent) {
      watch.isSilent = false;
      this.#note("sensor", `${name} sends again`);
    }
  }

  #offer(topic: Exclude<Topic, "map" | "notes">, message: SharedMessage): void {
    if (this.#played !== null) this.#newest.set(topic, message);
    for (const session of this.#sessions) session.outbox?.offer(topic, message);
  }

  #stateBy(age: number): "late" | "blind" | null {
    if (this.#played !== null) return null; // it may stand still
    return age > this.config.blind ? "blind" : age > this.config.late ? "late" : null;
  }

  #takeReach(reach: SensedReach): void {
    const now = headTime();
    // An event without a frame may bring a reach of older evidence than the last.
    if (this.#last === null || reach.time >= this.#last.time) this.#last = reach;
    this.#publishReach(this.#last, now);
    this.metrics.age.observe(Math.max(0, now - reach.time) / 1e6);
  }

  /** The base hears of every state, also when no frame comes: then again and again, with its growing age. */
  #publishReach(reach: SensedReach | null, now: number): void {
    const time = reach?.time ?? this.#started;
    const state = reach === null ? "blind" : (this.#stateBy(now - time) ?? reach.body.state);
    this.#lastState = state;
    this.#lastReachAt = now;
    const body = reach === null ? NOTHING_SEEN : reach.body;
    // Who is late or blind has no pace, whatever it was before.
    const isStopped = state !== "clear" && state !== "dark";
    const draft: Draft<"reach"> = {
      ...{ kind: "reach", time, frame: reach?.frame ?? 0, ...body, state },
      pace: isStopped && body.pace !== null ? STANDING : body.pace,
      // The evidence may be old, or none; what the base took upon itself, and for how long still, is of now.
      waiver: this.#played === null ? this.#waiver.at(now) : body.waiver,
    };
    if (this.#glance !== null && this.config.glance !== null) {
      const { port, host } = this.config.glance;
      const glance = glanceOf(draft, this.#glanceNumber++, Math.max(0, now - time), END.unseen);
      this.#glance.send(encodeGlance(glance), port, host, () => {}); // lost or not, a newer one follows
    }
    this.#offer("reach", new SharedMessage(draft));
  }

  /** Says late and blind when frames stay away. */
  #watch(): void {
    if (this.#played !== null) return;
    const now = headTime();
    const state = this.#last === null ? "blind" : this.#stateBy(now - this.#last.time);
    if (state !== null && (state !== this.#lastState || now - this.#lastReachAt > 90_000)) {
      this.#publishReach(this.#last, now);
    }
    for (const { name } of this.#setup.sensors) {
      const watch = this.#watchOf(name);
      if (watch.isSilent || watch.newest === null || now - watch.newest < this.config.blind) continue;
      watch.isSilent = true;
      this.#note("sensor", `${name} has sent nothing for ${((now - watch.newest) / 1e6).toFixed(1)} s`);
    }
  }

  #skipped(sensor: number, why: string, detail: string): void {
    const name = this.#setup.sensors[sensor]?.name ?? "";
    const watch = this.#watchOf(name);
    watch.skipped++;
    watch.why = `${why}: ${detail}`;
    this.metrics.skipped.inc({ sensor: name, why });
  }

  /** Findings go to bases, and to those who listen to notes. */
  #tellFinding(finding: Extract<FromSensing, { kind: "finding" }>): void {
    const { time, point, alarm, verdict, evidence, age } = finding;
    const isSeen = Number.isFinite(age);
    const draft: Draft<"finding"> = {
      ...{ kind: "finding", time, point, alarm, verdict, footing: evidence.footing },
      ...{
        seenAge: isSeen ? Math.max(0, age) : null,
        far: isSeen && Number.isFinite(evidence.far) ? evidence.far : null,
      },
    };
    for (const session of this.#sessions) {
      if (session.role === "base" || session.outbox?.wantsNotes) session.outbox?.reply(draft);
    }
  }

  /** Upper triangle of x, y, z, roll, pitch, yaw; roll and pitch are as good as the orientation sensor's. */
  #covarianceOf({ covariance: c, yawSigma }: TrackState): number[] {
    const tilt = ((Number(this.#settings["track.tiltNoise"]) * Math.PI) / 180) ** 2;
    const [xx, xy, xz, , yy, yz, , , zz] = c as readonly [
      number,
      number,
      number,
      number,
      number,
      number,
      number,
      number,
      number,
    ];
    return [xx, xy, xz, 0, 0, 0, yy, yz, 0, 0, 0, zz, 0, 0, 0, tilt, 0, 0, tilt, 0, yawSigma ** 2];
  }

  #note(what: Draft<"note">["what"], text: string): void {
    this.log.info({ what }, text);
    for (const session of this.#sessions)
      session.outbox?.note({ kind: "note", time: headTime(), what, text });
  }

  #clients(): number {
    let count = 0;
    for (const session of this.#sessions) if (session.role !== null) count++;
    return count;
  }

  /** Since the last pulse, and in those before it, newest last. */
  #events: EventTotals = {};
  readonly #recent: { readonly time: number; readonly events: EventTotals }[] = [];

  #pulse(): void {
    const now = headTime();
    this.#recent.push({ time: now, events: this.#events });
    this.#events = {};
    if (this.#recent.length > RATE_PULSES) this.#recent.shift();
    // Counts come in portions, as often as pulses go out: over several the rate is steady.
    const [first, ...later] = this.#recent;
    const seconds = Math.max(1e-3, (now - first!.time) / 1e6);
    const perSecond = (kind: keyof EventTotals): number =>
      later.reduce((sum, { events }) => sum + (events[kind] ?? 0), 0) / seconds;
    const costs = this.#costs.toSorted((a, b) => a - b);
    const sensors = this.#setup.sensors.map(({ name }, i) => {
      const watch = this.#watchOf(name);
      watch.recent = watch.recent.filter((time) => now - time < 2e6);
      const isSilent =
        this.#played === null && watch.newest !== null && now - watch.newest > this.config.blind;
      return {
        name,
        state:
          watch.newest === null
            ? ("waiting" as const)
            : isSilent
              ? ("silent" as const)
              : ("running" as const),
        rate: watch.recent.length / 2,
        age: watch.newest === null ? null : Math.max(0, now - watch.newest),
        frames: watch.frames,
        missed: watch.missed,
        overtaken: overtakenIn(this.#slots[i]!),
        skipped: watch.skipped,
        why: watch.why,
      };
    });
    const pulse = new SharedMessage({
      kind: "pulse",
      time: now,
      uptime: now - this.#started,
      sensors,
      samples: {
        orientation: perSecond("orientation"),
        inertial: perSecond("inertial"),
        motion: perSecond("motion"),
      },
      load: {
        ...this.#load,
        median: costs[costs.length >> 1] ?? 0,
        p99: costs[Math.floor(costs.length * 0.99)] ?? 0,
        worst: costs.at(-1) ?? 0,
      },
      map: { blocks: this.#blocks, revision: this.#revision, saved: this.#savedAt },
      clients: this.#clients(),
      memory: process.memoryUsage.rss(),
    });
    this.#offer("pulse", pulse);
  }

  // --- the map on disk ---

  async #loadMap(saver: MapSaver): Promise<void> {
    const { bytes, path, problems } = await saver.load();
    for (const problem of problems) this.log.warn({ problem }, "a saved map cannot be used");
    if (bytes === null) return;
    try {
      await this.#request<"done">((ticket) => ({ kind: "load", ticket, bytes }));
      this.log.info(
        { path },
        problems.length > 0 ? "went back to the map saved before" : "going on with the saved map",
      );
    } catch (error) {
      this.log.warn({ path, why: (error as Error).message }, "the saved map does not fit this head");
    }
  }

  /** @throws file errors */
  async saveMap(): Promise<string> {
    if (this.#saver === null)
      throw new WireError("map", "map", null, "map: no folder to save to: set map.folder");
    const { bytes, revision } = await this.#request<"done">((ticket) => ({ kind: "snapshot", ticket }));
    try {
      await this.#saver.save(bytes!);
      this.metrics.saves.inc({ result: "saved" });
    } catch (error) {
      this.metrics.saves.inc({ result: "failed" });
      throw new WireError("map", "map", null, `map: not saved: ${(error as Error).message}`);
    }
    this.#savedRevision = revision;
    this.#savedAt = new Date().toISOString();
    return `${bytes!.length} bytes to ${this.#saver.folder}`;
  }

  async #autosave(): Promise<void> {
    if (this.#saver === null || this.#revision === this.#savedRevision) return;
    try {
      await this.saveMap();
    } catch (error) {
      this.#note("map", (error as Error).message);
    }
  }

  // --- clients ---

  async admit(session: Session, hello: FromClient<"hello">): Promise<Draft<"welcome">> {
    const { tokens, clients } = this.config;
    if (tokens.length > 0) {
      const entry = findToken(tokens, hello.token);
      if (entry === null)
        throw new WireError("token", "hello", null, "hello: the token is missing or not known");
      if (!entry.roles.includes(hello.role)) {
        throw new WireError("token", "hello", null, `hello: this token is not for the role ${hello.role}`);
      }
    }
    if (this.#clients() >= clients)
      throw new WireError("busy", "hello", null, `hello: ${clients} clients are here already`);
    if (hello.sensors !== undefined) {
      if (hello.role !== "sensor")
        throw new WireError("role", "hello", null, "hello: only a sensor declares sensors");
      await this.#declare(hello.sensors);
    }
    this.#openingSensors.delete(session);
    this.log.info({ session: session.id, role: hello.role, name: hello.name }, "client");
    return {
      ...{ kind: "welcome", session: session.id, software: SOFTWARE, role: hello.role, time: headTime() },
      setup: this.#setup as Draft<"welcome">["setup"],
      map: { epoch: this.map.epoch, voxelSize: this.#voxelSize, change: this.map.change },
      silence: SILENCE,
      mostBytes: session.mostBytes,
      played: this.#played?.name ?? null,
    };
  }

  #declaring: Promise<void> = Promise.resolve();

  /** Adds sensors, or gives those known by name other optics or mounts. @throws {WireError} */
  #declare(sensors: readonly SensorSetup[]): Promise<void> {
    const declared = this.#declaring.then(() => this.#declareNow(sensors));
    this.#declaring = declared.catch(() => {});
    return declared;
  }

  async #declareNow(declared: readonly SensorSetup[]): Promise<void> {
    const refuse = (message: string) => new WireError("sensor", "hello", null, `hello: ${message}`);
    const sensors = [...this.#setup.sensors];
    const slots = [...this.#slots];
    for (const sensor of declared) {
      try {
        validateOptics(sensor.optics);
      } catch (error) {
        throw refuse(`sensor "${sensor.name}": ${(error as Error).message}`);
      }
      const known = sensors.findIndex(({ name }) => name === sensor.name);
      if (known >= 0 && isDeepStrictEqual(sensors[known], sensor)) continue;
      if (this.#parts.player || this.#played)
        throw refuse("this head plays a recording, whose sensors are given");
      const at = known >= 0 ? known : sensors.length;
      if (at === 16) throw refuse("16 sensors are here already");
      const { width, height } = sensor.optics;
      if (slots[at]?.pixels !== width * height) slots[at] = slotOf(sensor);
      sensors[at] = sensor;
    }
    const setup = normalized({ ...this.#setup, sensors });
    if (isDeepStrictEqual(setup, this.#setup)) return;
    try {
      await this.#request<"done">((ticket) => ({ kind: "sensors", ticket, setup, slots }));
    } catch (error) {
      throw refuse((error as Error).message);
    }
    this.#setup = setup;
    this.#slots = slots;
    this.intake.change(setup, slots);
  }

  handle(session: Session, message: FromClient): void {
    if (this.#played !== null && FROM_OUTSIDE.has(message.kind)) {
      throw new WireError("sensor", message.kind, null, `${message.kind}: this head plays a recording`);
    }
    switch (message.kind) {
      case "hello":
      case "seen":
      case "clock":
      case "subscribe":
        break; // the session's own
      case "depth":
        if (this.#parts.player)
          throw new WireError("sensor", "depth", null, "depth: this head plays a recording");
        this.intake.take(message);
        break;
      case "knock":
      case "floorcheck":
      case "waiver":
      case "orientation":
      case "inertial":
      case "reference":
      case "mount":
      case "motion":
        this.intake.take(message);
        break;
      case "mark": {
        const time = headTime();
        if (this.#played !== null) this.#toSensing({ kind: "bookmark", text: message.text });
        else this.#toSensing({ kind: "event", event: { kind: "mark", time, text: message.text } });
        this.#note("mark", message.text);
        session.outbox!.reply({ kind: "done", id: message.id, text: `marked at ${time}` });
        break;
      }
      case "ask":
        this.#later(session, message, async () => {
          const found = await this.#request<"answer">((ticket) => ({
            kind: "ask",
            ticket,
            question: message.question,
          }));
          if (found.answer === null)
            throw new WireError("busy", "ask", message.id, "ask: nobody knows yet where the base is");
          const { time, revision, answer } = found;
          const now = headTime();
          session.outbox!.reply({
            ...{ kind: "answer", id: message.id, time: now, revision, answer },
            age: time === null ? null : Math.max(0, now - time),
          });
        });
        break;
      case "settings":
        this.#later(session, message, async () => {
          if (message.change !== undefined) await this.#change(message.change);
          session.outbox!.reply({
            ...{ kind: "settings", id: message.id, values: { ...this.#settings } },
            ...(message.explain === true && { rows: SETTING_ROWS }),
          });
        });
        break;
      case "map":
        this.#later(session, message, async () => {
          let text: string;
          if (message.action === "save") text = await this.saveMap();
          else {
            await this.#request<"done">((ticket) => ({ kind: "clear", ticket }));
            this.map.reset(newEpoch());
            for (const one of this.#sessions) one.outbox?.pump();
            text = "the map is empty";
            this.#note("map", text);
          }
          session.outbox!.reply({ kind: "done", id: message.id, text });
        });
        break;
      case "keep":
        if (this.#pretrigger === null)
          throw new WireError(
            "recording",
            "keep",
            message.id,
            "keep: no folder to keep in: set pretrigger.folder",
          );
        if (this.#pretrigger.isFull) {
          const why =
            "what was asked for fills pretrigger.kept: remove some of it from the folder kept, start again";
          throw new WireError("recording", "keep", message.id, `keep: ${why}`);
        }
        this.#pretrigger.keep("asked", message.text);
        session.outbox!.reply({ kind: "done", id: message.id, text: "kept once what follows is in it, too" });
        break;
      case "play":
        this.#later(session, message, async () => {
          if (this.#played === null)
            throw new WireError("recording", "play", message.id, "play: this head is live");
          const { kind: _, id, ...wish } = message;
          await this.#request<"done">((ticket) => ({ kind: "play", ticket, wish }));
          session.outbox!.reply({ kind: "done", id, text: "on its way" });
        });
        break;
      case "open":
        this.#later(session, message, async () => {
          if (this.#played === null)
            throw new WireError("recording", "open", message.id, "open: this head is live");
          await this.#openRecording(message.recording);
        });
        break;
      default:
        message satisfies never;
    }
  }

  async #change(change: Readonly<Record<string, number | string>>): Promise<void> {
    try {
      resolveSettings(change); // names and bounds, before the sensing thread is troubled
      const changed = await this.#request<"changed">((ticket) => ({
        kind: "change",
        ticket,
        settings: change,
      }));
      this.#settings = changed.settings;
    } catch (error) {
      if (!(error instanceof SettingError)) throw error;
      throw new WireError("setting", "settings", null, error.message);
    }
    const list = Object.entries(change).map(([name, value]) => `${name} = ${value}`);
    this.#note("setting", list.join(", "));
  }

  /** Work whose answer comes later; what goes wrong goes to the client that asked. */
  #later(session: Session, { kind, id }: { kind: string; id: number }, work: () => Promise<void>): void {
    work().catch((error: unknown) => {
      if (error instanceof WireError) session.fail(new WireError(error.code, error.about, id, error.message));
      else if (!this.#isStopping) {
        this.log.error({ err: error }, "a request failed");
        session.fail(
          new WireError("busy", kind, id, `${kind}: it could not be done; the head's log says why`),
        );
      }
    });
  }

  refused(code: string): void {
    this.metrics.refused.inc({ code });
  }

  // --- connections ---

  /** Names under which this machine may be spoken to; a page that gives itself another is turned away. */
  #isOurName(host: string | undefined): boolean {
    if (host === undefined) return false;
    const name = host
      .replace(/:\d+$/, "")
      .replace(/^\[|\]$/g, "")
      .toLowerCase();
    const own = hostname().toLowerCase();
    if (isLoopback(name) || this.config.listen.names.includes(name) || name === this.config.listen.host)
      return true;
    if (isLoopback(this.config.listen.host)) return false;
    return (
      name === own ||
      name === `${own}.local` ||
      Object.values(networkInterfaces()).some((list) => list?.some(({ address }) => address === name))
    );
  }

  /** Null when the request may go on; else why not. A page's origin must be this service's own, or listed. */
  #objection(request: IncomingMessage): string | null {
    const { host, origin } = request.headers;
    if (!this.#isOurName(host)) return "this host name is not the head's; list it under listen.names";
    if (origin === undefined || this.config.listen.origins.includes(origin)) return null;
    const scheme = this.config.listen.tls === null ? "http" : "https";
    return origin === `${scheme}://${host}`
      ? null
      : "this origin may not connect; list it under listen.origins";
  }

  #upgrade(request: IncomingMessage, socket: Duplex, head: Buffer): void {
    const refuse = (status: string, why: string): void => {
      this.refused("upgrade");
      socket.on("error", () => {});
      socket.end(
        `HTTP/1.1 ${status}\r\nConnection: close\r\nContent-Type: text/plain\r\nContent-Length: ${why.length}\r\n\r\n${why}`,
      );
    };
    const { pathname, searchParams } = target(request);
    const offered = (request.headers["sec-websocket-protocol"] ?? "").split(",").map((name) => name.trim());
    const objection = this.#objection(request);
    if (objection !== null) refuse("403 Forbidden", objection);
    else if (pathname !== ENDPOINT) refuse("404 Not Found", `the endpoint is ${ENDPOINT}`);
    else if (!offered.includes(SUBPROTOCOL))
      refuse("400 Bad Request", `offer the sub-protocol ${SUBPROTOCOL}`);
    else if (this.#isStopping) refuse("503 Service Unavailable", "stopping");
    else {
      const isLarge = searchParams.get("frames") === "1";
      if (isLarge && this.#openingSensors.size >= MOST_OPENING_SENSORS) {
        refuse("503 Service Unavailable", "too many connections for frames have not said hello");
        return;
      }
      const server = isLarge ? this.#large : this.#small;
      server.handleUpgrade(request, socket, head, (webSocket) => this.#connected(webSocket, isLarge));
    }
  }

  #connected(socket: WebSocket, isLarge: boolean): void {
    const id = `${++this.#sessionCount}`;
    const session = new Session(id, socket, this, isLarge ? this.#mostFrame : SMALL_MESSAGE);
    this.#sessions.add(session);
    this.#sockets++;
    if (isLarge) this.#openingSensors.add(session);
    socket.on("close", (code) => {
      this.#sessions.delete(session);
      this.#openingSensors.delete(session);
      this.#sockets--;
      this.#wantPictures();
      if (session.role !== null) this.log.info({ session: id, code }, "client gone");
    });
  }

  async #answer(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const text = "text/plain; charset=utf-8";
    if (target(request).pathname.startsWith("/labels/")) await this.#answerLabels(request, response);
    else if (request.method === "PUT" && this.#recordings !== null)
      await this.#takeUpload(request, response, this.#recordings);
    else if (request.method !== "GET" && request.method !== "HEAD")
      send(response, 405, text, "GET or HEAD\n");
    else {
      const objection = this.#objection(request);
      const { pathname } = target(request);
      if (objection !== null) send(response, 403, text, `${objection}\n`);
      else if (pathname === "/health") {
        const { isWell, ...health } = this.health();
        send(response, isWell ? 200 : 503, "application/json", `${JSON.stringify(health)}\n`);
      } else if (pathname === "/metrics") {
        if (this.#mayRead(request)) send(response, 200, this.metrics.type, await this.metrics.text());
        else send(response, 401, text, "give a token: Authorization: Bearer ...\n");
      } else if (Object.hasOwn(MAP_FILES, pathname)) {
        const kind = MAP_FILES[pathname as keyof typeof MAP_FILES];
        if (this.#mayRead(request)) await sendMap(response, kind, this.map.blocks, this.#voxelSize);
        else send(response, 401, text, "give a token: Authorization: Bearer ...\n");
      } else if (pathname === "/kept" || pathname.startsWith("/kept/")) {
        if (this.#mayRead(request)) this.#answerKept(pathname, request, response);
        else send(response, 401, text, "give a token: Authorization: Bearer ...\n");
      } else if (pathname === "/protocol.json") {
        send(response, 200, "application/json", JSON.stringify(asyncApi("0.1.0")));
      } else if (pathname === "/settings.schema.json") {
        send(response, 200, "application/schema+json", JSON.stringify(configSchema()));
      } else if (!this.#files?.serve(pathname, request, response)) send(response, 404, text, "not found\n");
    }
  }

  /** The list of what was kept, or one of it. */
  #answerKept(pathname: string, request: IncomingMessage, response: ServerResponse): void {
    if (pathname === "/kept") {
      const list = {
        isOn: this.#pretrigger !== null,
        kept: this.#pretrigger?.kept ?? [],
        trouble: this.#pretrigger?.trouble ?? null,
        leftOut: this.#leftOut,
      };
      send(response, 200, "application/json", `${JSON.stringify(list)}\n`);
      return;
    }
    const name = pathname.slice("/kept/".length);
    const path = this.#pretrigger?.find(name) ?? null;
    if (path === null) {
      send(response, 404, "text/plain; charset=utf-8", "there is no such recording: /kept lists them\n");
      return;
    }
    response.writeHead(200, {
      ...SAFE_HEADERS,
      "content-type": "application/octet-stream",
      "content-disposition": `attachment; filename="${name}"`,
      "cache-control": "no-store",
    });
    if (request.method === "HEAD") response.end();
    else
      createReadStream(path)
        .on("error", () => response.destroy())
        .pipe(response);
  }

  /** PUT /recordings/<name>: only where recordings are played, never at a live head. */
  async #takeUpload(
    request: IncomingMessage,
    response: ServerResponse,
    recordings: RecordingsFolder,
  ): Promise<void> {
    const refuse = (status: number, why: string): void => {
      // What is still being sent is not read.
      response.shouldKeepAlive = false;
      send(response, status, "text/plain; charset=utf-8", `${why}\n`);
    };
    const name = /^\/recordings\/([^/]+)$/.exec(target(request).pathname)?.[1];
    const objection = this.#objection(request);
    if (objection !== null) refuse(403, objection);
    else if (!this.#mayRead(request)) refuse(401, "give a token: Authorization: Bearer ...");
    else if (this.#played === null) refuse(409, "this head is live: it plays no recordings");
    else if (name === undefined) refuse(404, "PUT /recordings/<name>.brk");
    else if (this.#isUploading) refuse(503, "another recording is coming in");
    else {
      this.#isUploading = true;
      try {
        const recording = await recordings.take(decodeURIComponent(name), request);
        this.log.info({ recording }, "a recording was uploaded");
        send(response, 201, "application/json", `${JSON.stringify({ recording })}\n`);
        if (this.#moments !== null) void this.#tellRecording(this.#moments);
      } catch (error) {
        if (error instanceof UploadError) refuse(error.status, error.message);
        else refuse(400, "the name cannot be read");
      } finally {
        this.#isUploading = false;
      }
    }
  }

  #isUploading = false;

  /**
   * GET /labels/<name> of the recording that is played: its labels, and whether they may be kept from there; PUT keeps them, only
   * where that was asked for, and from this machine alone.
   */
  async #answerLabels(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const refuse = (status: number, why: string): void => {
      response.shouldKeepAlive = false;
      send(response, status, "text/plain; charset=utf-8", `${why}\n`);
    };
    const tell = (answer: object): void =>
      send(response, 200, "application/json", `${JSON.stringify(answer)}\n`);
    const objection = this.#objection(request);
    const name = target(request).pathname.slice("/labels/".length);
    const played = this.#played;
    const from = request.socket.remoteAddress?.replace(/^::ffff:/, "") ?? "";
    const mayKeep = this.config.recordings.labels && isLoopback(from);
    if (objection !== null) refuse(403, objection);
    else if (!this.#mayRead(request)) refuse(401, "give a token: Authorization: Bearer ...");
    else if (played === null || encodeURIComponent(played.name) !== name)
      refuse(409, "labels are of the recording that is played");
    else if (request.method === "GET") tell({ mayKeep, ...(await readLabelsBeside(played.path)) });
    else if (request.method !== "PUT") refuse(405, "GET or PUT");
    else if (!mayKeep) refuse(403, "labels are kept with serve --labels only, and from this machine alone");
    else {
      try {
        await takeLabels(played.path, request);
        this.log.info({ recording: played.name }, "labels were kept");
        tell({});
      } catch (error) {
        if (!(error instanceof UploadError)) throw error;
        refuse(error.status, error.message);
      }
    }
  }

  #mayRead(request: IncomingMessage): boolean {
    if (this.config.tokens.length === 0) return true;
    const token = /^Bearer (\S+)$/.exec(request.headers.authorization ?? "")?.[1];
    return findToken(this.config.tokens, token) !== null;
  }

  #lastLoad = headTime();

  /** Whether the sensing thread still answers: it reports its load twice a second. */
  get isAlive(): boolean {
    return headTime() - this.#lastLoad < 5e6;
  }

  /** In a word: whether it sees. */
  health(): {
    readonly isWell: boolean;
    readonly state: string;
    readonly uptime: number;
    readonly age: number | null;
  } {
    const now = headTime();
    const age = this.#last === null ? null : now - this.#last.time;
    const state =
      this.#last === null || age === null ? "waiting" : (this.#stateBy(age) ?? this.#last.body.state);
    return {
      isWell: state === "clear" || state === "dark",
      state,
      uptime: (now - this.#started) / 1e6,
      age,
    };
  }

  /** Closes everything; a map that has changed is saved first. */
  async stop(why = "stopped"): Promise<void> {
    if (this.#isStopping) return;
    this.#isStopping = true;
    for (const timer of this.#timers) clearInterval(timer);
    await Promise.all([...this.#sources.map((source) => source.stop()), this.#announcer?.stop()]);
    await this.#player?.terminate();
    const limit = new Promise<void>((resolve) => setTimeout(resolve, 1000).unref());
    await Promise.race([this.#autosave(), limit]);
    for (const session of this.#sessions) session.close(CLOSE.goingAway, "the head stops");
    this.#glance?.close();
    await this.#sensing.terminate();
    await this.#pretrigger?.close(700);
    await new Promise<void>((resolve) => {
      if (!this.#server.listening) {
        resolve();
        return;
      }
      this.#server.close(() => resolve());
      setTimeout(() => this.#server.closeAllConnections(), 300).unref();
    });
    this.log.info({ why }, "stopped");
    this.#tellStopped(why);
  }
}

function target(request: IncomingMessage): { pathname: string; searchParams: URLSearchParams } {
  try {
    return new URL(`http://head${request.url ?? "/"}`); // not relative: "//x" would name a host
  } catch {
    return { pathname: "", searchParams: new URLSearchParams() };
  }
}

const newEpoch = (): string => randomBytes(9).toString("base64url");
const slotOf = ({ optics }: SensorSetup): FrameSlotMemory => frameSlotMemory(optics.width * optics.height);

function normalized(setup: Setup): Setup {
  const rigid = (pose: Pose, where: string): Pose => {
    try {
      return { ...pose, rotation: normalizeRotation(pose.rotation, 0.05) };
    } catch {
      throw new ConfigError(`${where}: rotation must be a unit quaternion x, y, z, w`);
    }
  };
  return {
    sensors: setup.sensors.map((sensor) => ({
      ...sensor,
      mount: { ...sensor.mount, pose: rigid(sensor.mount.pose, `sensor ${sensor.name}`) },
    })),
    baseFromHead: rigid(setup.baseFromHead, "baseFromHead"),
    headFromImu: rigid(setup.headFromImu, "headFromImu"),
  };
}

function trackText(note: TrackNote): string {
  switch (note.what) {
    case "lost":
      return "lost: the map rests until the place is known again";
    case "found":
      return `found again, ${note.distance.toFixed(2)} m from where it was last known`;
    case "loop closed":
      return note.distance > 0
        ? `a place seen before was recognised: position corrected by ${note.distance.toFixed(2)} m, the map is made anew`
        : "a place seen before was recognised where it was expected";
    case "yaw jump":
      return `the orientation sensor's yaw jumped by ${degrees(note.angle)}; not followed`;
    case "odometry disagrees":
      return `odometry and depth disagree by ${note.distance.toFixed(2)} m and ${degrees(note.angle)} a second`;
    default:
      return note satisfies never;
  }
}

const degrees = (radians: number): string => `${((radians * 180) / Math.PI).toFixed(0)} degrees`;
