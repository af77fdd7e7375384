import { type MessagePort, Worker } from "node:worker_threads";
import type { Pose } from "../../geometry/optics.ts";
import { normalizeRotation } from "../../geometry/rigid.ts";
import { resolveSettings, SettingError, type Settings } from "../../head/settings.ts";
import { binnedOptics, binningFactor } from "../../sense/binning.ts";
import type { SensorSetup, Setup } from "../../sense/events.ts";
import type { PlacedGoal, PlacedQuestion } from "../../wire/messages.ts";
import { Batch } from "../batch.ts";
import { ConfigError } from "../config.ts";
import type { FromPlaying, ToPlaying } from "../playing/playing-messages.ts";
import { headTime } from "../time.ts";
import type { FromWays } from "../ways/way-messages.ts";
import { WayThread } from "../ways/way-thread.ts";
import { type FrameSlotMemory, frameSlotMemory } from "./frame-slot.ts";
import { Intake, type IntakeParts } from "./intake.ts";
import type { FromSensing, SensingStart } from "./sensing-messages.ts";

/** The parts of a head. */
export interface HeadParts {
  readonly setup: Setup;
  /** Core settings by name. Missing ones have their defaults. */
  readonly settings: Readonly<Record<string, unknown>>;
  /** The size to which large images are binned before the head gets them (`binningFactor`); 0: never. */
  readonly mostPixels: number;
}

/** A thread that runs a head, and its data besides SensingStart. */
export interface HeadThread {
  readonly script: URL;
  readonly data: object;
  /** A port in the data, which is transferred. */
  readonly port: MessagePort | null;
  /** Whether another thread finds the ways: frames of sensors must not wait for a search. */
  readonly hasWayThread: boolean;
}

interface Ticket {
  readonly resolve: (message: FromSensing) => void;
  readonly reject: (error: Error) => void;
}

/** Frequent samples that are not urgent: they are sent to the head along with the next urgent message. */
const UNHURRIED: ReadonlySet<string> = new Set(["orientation", "inertial", "reference", "mount", "motion"]);
/** Microseconds between checks for changed blocks of the map. */
const BLOCKS_EVERY = 200_000;

/** The service's interface to the head, which runs in a thread of its own. */
export class HeadLink {
  readonly intake: Intake;
  readonly #hear: (message: FromPlaying) => void;
  readonly #failed: (error: Error) => void;
  readonly #orders = new Batch<ToPlaying>((orders, moved) => this.#worker.postMessage(orders, [...moved]));
  readonly #tickets = new Map<number, Ticket>();
  #nextTicket = 1;
  #setup: Setup;
  #mostPixels: number;
  #settings: Settings;
  #slots: readonly FrameSlotMemory[];
  #voxelSize = 0;
  #worker: Worker;
  #ready: Promise<void>;
  #hasWayThread: boolean;
  #wayThread: WayThread | null = null;

  /**
   * Starts the head's thread.
   * @param hear   gets each message of the head
   * @param failed called when the thread has died
   * @throws {ConfigError | SettingError} when setup or settings are not valid
   */
  constructor(
    parts: HeadParts,
    thread: HeadThread,
    { hear, failed }: { hear: (message: FromPlaying) => void; failed: (error: Error) => void },
  ) {
    this.#hear = hear;
    this.#failed = failed;
    this.#setup = normalized(parts.setup);
    this.#settings = resolveSettings(parts.settings);
    this.#mostPixels = parts.mostPixels;
    this.#slots = this.#working.sensors.map(slotOf);
    this.intake = new Intake(this.#intakeParts, (message) => this.post(message), headTime);
    this.#hasWayThread = thread.hasWayThread;
    [this.#worker, this.#ready] = this.#begin(thread);
  }

  /** With the sensors as they are; the head itself gets binned images (`mostPixels`). */
  get setup(): Setup {
    return this.#setup;
  }
  /** The setup as the head gets it. */
  get #working(): Setup {
    return workingSetup(this.#setup, this.#mostPixels);
  }
  get #intakeParts(): IntakeParts {
    return { setup: this.#setup, slots: this.#slots, mostPixels: this.#mostPixels };
  }
  get settings(): Settings {
    return this.#settings;
  }
  /** The slots, one per sensor in their order. */
  get slots(): readonly FrameSlotMemory[] {
    return this.#slots;
  }
  /** Metres. Valid once the head is ready. */
  get voxelSize(): number {
    return this.#voxelSize;
  }
  /** Resolves when the head has started; rejects when it could not. */
  get ready(): Promise<void> {
    return this.#ready;
  }

  #begin({ script, data, port }: HeadThread): [Worker, Promise<void>] {
    const start: SensingStart = {
      setup: this.#working,
      settings: this.#settings,
      slots: this.#slots,
      blocksEvery: BLOCKS_EVERY,
    };
    const worker = new Worker(script, {
      workerData: { ...start, ...data },
      transferList: port === null ? [] : [port],
      // Little is allocated per frame. The default limit would let tens of megabytes of garbage accumulate.
      resourceLimits: { maxYoungGenerationSizeMb: 8 },
    });
    const ready = new Promise<void>((resolve, reject) => {
      worker.on("message", (messages: readonly FromPlaying[]) => {
        for (const message of messages) {
          if (message.kind === "ready") {
            this.#voxelSize = message.voxelSize;
            this.#settings = message.settings;
            resolve();
          } else this.#take(message);
        }
      });
      worker.on("error", (error) => {
        if (worker !== this.#worker) return; // a message of the replaced head
        reject(error);
        this.#failed(error);
      });
    });
    ready.catch(() => {});
    return [worker, ready];
  }

  #take(message: FromPlaying): void {
    switch (message.kind) {
      case "answer":
      case "changed":
      case "done":
        if (message.kind === "changed") this.#settings = message.settings;
        this.#tickets.get(message.ticket)?.resolve(message);
        this.#tickets.delete(message.ticket);
        break;
      case "resized":
        this.#voxelSize = message.voxelSize;
        this.#hear(message);
        break;
      case "restored":
        // Listeners hear of it before the blocks that follow it in the same batch.
        this.#hear(message);
        this.#tickets.get(message.ticket)?.resolve(message);
        this.#tickets.delete(message.ticket);
        break;
      case "refused":
        this.#tickets.get(message.ticket)?.reject(new SettingError(message.message));
        this.#tickets.delete(message.ticket);
        break;
      default:
        this.#hear(message);
    }
  }

  /** Replaces the head; pending questions are refused. Resolves when the new head is ready. */
  async replace(parts: HeadParts, thread: HeadThread): Promise<void> {
    const old = this.#worker;
    this.#setup = normalized(parts.setup);
    this.#settings = resolveSettings(parts.settings);
    this.#mostPixels = parts.mostPixels;
    this.#slots = this.#working.sensors.map(slotOf);
    this.intake.change(this.#intakeParts);
    for (const { reject } of this.#tickets.values()) reject(new SettingError("another recording is played"));
    this.#tickets.clear();
    this.#hasWayThread = thread.hasWayThread;
    const ways = this.#wayThread;
    this.#wayThread = null;
    [this.#worker, this.#ready] = this.#begin(thread);
    old.removeAllListeners("message");
    await old.terminate();
    await ways?.end();
    await this.#ready;
  }

  /** Sends a message: frames, contacts and questions at once, samples along with the next of these. */
  post(order: ToPlaying, moved: readonly ArrayBuffer[] = []): void {
    this.#orders.add(order, moved);
    if (order.kind !== "event" || !UNHURRIED.has(order.event.kind)) this.#orders.send();
  }

  /**
   * Sends a request and waits for its answer.
   * @throws {SettingError} when the head refuses
   */
  request<K extends FromSensing["kind"]>(
    make: (ticket: number) => ToPlaying,
  ): Promise<FromSensing & { kind: K }> {
    const ticket = this.#nextTicket++;
    return new Promise((resolve, reject) => {
      this.#tickets.set(ticket, { resolve: resolve as Ticket["resolve"], reject });
      this.post(make(ticket));
    });
  }

  /** Transfers a port to the head's thread, by which another thread sends it frames and samples. */
  connect(port: MessagePort): void {
    this.#worker.postMessage({ kind: "player", port }, [port]);
  }

  /** Makes slots for sensors as the head gets them. Slots whose image size is unchanged are kept. */
  #slotsFor(sensors: readonly SensorSetup[]): readonly FrameSlotMemory[] {
    return sensors.map((sensor, i) => {
      const slot = this.#slots[i];
      const { width, height } = sensor.optics;
      return slot?.pixels === width * height ? slot : slotOf(sensor);
    });
  }

  /**
   * Replaces the sensors.
   * @throws {ConfigError | SettingError} when they are not valid; nothing has changed then
   */
  async changeSensors(sensors: readonly SensorSetup[]): Promise<void> {
    const setup = normalized({ ...this.#setup, sensors });
    const working = workingSetup(setup, this.#mostPixels);
    const slots = this.#slotsFor(working.sensors);
    await this.request<"done">((ticket) => ({ kind: "sensors", ticket, setup: working, slots }));
    this.#setup = setup;
    this.#slots = slots;
    this.intake.change(this.#intakeParts);
  }

  /** Asks for a way, or for the next look. @throws {SettingError} when it is refused */
  askWay(
    question: Extract<PlacedQuestion, { about: "way" | "look" }>,
  ): Promise<FromSensing & { kind: "answer" }> {
    if (this.#hasWayThread) this.#wayThread ??= this.#beginWays();
    return this.request<"answer">((ticket) => ({ kind: "ask", ticket, question }));
  }

  /** Keeps a way to a goal up to date; null ends it. */
  watchWay(watch: number, goal: PlacedGoal | null): void {
    if (this.#hasWayThread) this.#wayThread ??= this.#beginWays();
    this.post({ kind: "watch", watch, goal });
  }

  #beginWays(): WayThread {
    const connect = (port: MessagePort) => this.#worker.postMessage({ kind: "ways", port }, [port]);
    const hear = (message: FromWays) => this.#take(message);
    return new WayThread(connect, hear, (error) => this.#failed(error));
  }

  /** Ends the threads. */
  async end(): Promise<void> {
    await this.#wayThread?.end();
    await this.#worker.terminate();
  }
}

/** The setup with the optics of binned images. */
const workingSetup = (setup: Setup, mostPixels: number): Setup => ({
  ...setup,
  sensors: setup.sensors.map((sensor) => ({
    ...sensor,
    optics: binnedOptics(sensor.optics, binningFactor(sensor.optics, mostPixels)),
  })),
});

const slotOf = ({ optics }: SensorSetup): FrameSlotMemory => frameSlotMemory(optics.width * optics.height);

/** The setup with normalised rotations. @throws {ConfigError} when one is far from unit length */
const normalized = ({ sensors, baseFromHead, headFromImu }: Setup): Setup => ({
  sensors: sensors.map(normalizedSensor),
  baseFromHead: rigid(baseFromHead, "baseFromHead"),
  headFromImu: rigid(headFromImu, "headFromImu"),
});

/** The same for one sensor. @throws {ConfigError} */
export const normalizedSensor = (sensor: SensorSetup): SensorSetup => ({
  ...sensor,
  mount: { ...sensor.mount, pose: rigid(sensor.mount.pose, `sensor "${sensor.name}"`) },
});

function rigid(pose: Pose, where: string): Pose {
  try {
    return { ...pose, rotation: normalizeRotation(pose.rotation, 0.05) };
  } catch {
    throw new ConfigError(`${where}: rotation must be a unit quaternion x, y, z, w`);
  }
}
