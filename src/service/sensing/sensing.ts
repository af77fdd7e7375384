import type { MessagePort } from "node:worker_threads";
import { crc32c } from "../../coding/crc32c.ts";
import { DecodeError } from "../../coding/decode-error.ts";
import type { Pose } from "../../geometry/optics.ts";
import { planarOf } from "../../geometry/rigid.ts";
import { bodyLimits } from "../../guard/body.ts";
import { Head } from "../../head/head.ts";
import type { HeadOutput } from "../../head/outputs.ts";
import { resolveSettings, SettingError } from "../../head/settings.ts";
import { floorSettings, guardSettings } from "../../head/stage-settings.ts";
import { decodeSnapshot, encodeSnapshot, SnapshotError } from "../../map/snapshot.ts";
import { decodePlace, encodePlace, isPlaceFile, KEYFRAME_BYTES } from "../../place/place-file.ts";
import { HOLD_MOST } from "../../terms/freshness.ts";
import type { PlacedQuestion } from "../../wire/messages.ts";
import { PretriggerTap } from "../pretrigger/tap.ts";
import type { WayBody } from "../ways/way-messages.ts";
import { WayPost } from "../ways/way-post.ts";
import { ChangedBlocks } from "./changed-blocks.ts";
import { ChangedTiles } from "./changed-tiles.ts";
import { FrameReader } from "./frame-slot.ts";
import { Governor } from "./governor.ts";
import { type Heat, HeatGovernor } from "./heat.ts";
import { LastCleared } from "./last-cleared.ts";
import { reachOfMap } from "./map-reach.ts";
import { Pictures } from "./pictures.ts";
import { answer, endsOfWay } from "./questions.ts";
import { type ReachBody, reachBody, reachOfObstacles } from "./reach-body.ts";
import type { EventTotals, FromSensing, SensingStart, ToSensing } from "./sensing-messages.ts";

/** Microseconds between reports of the load. */
const LOAD_EVERY = 500_000;

/**
 * Runs a head in a thread of its own (sensing-worker.ts): takes the newest frames from their slots, and sends the reach of each before all
 * other results. Messages come in by `take` and go out by `say`.
 */
export class Sensing {
  readonly #head: Head;
  readonly #say: (message: FromSensing) => void;
  readonly #now: () => number;
  #readers: FrameReader[];
  readonly #governor: Governor;
  readonly #heat = new HeatGovernor();
  /** Level of load shedding of the head, and the level in a played recording. */
  #shedLevel = 0;
  #playedShed = 0;
  /** Sequence number of each sensor's newest frame. */
  readonly #sequences: number[] = [];
  readonly #pictures: Pictures;
  readonly #blocks: ChangedBlocks;
  readonly #tiles: ChangedTiles;
  readonly #cleared = new LastCleared();
  readonly #ways: WayPost;
  /** Sequence number of the newest frame of all sensors. */
  #frame = 0;
  /** Whether the reach of the present event was sent already. */
  #isReachTold = false;
  #nextLoad = 0;
  #worked = 0;
  #events: EventTotals = {};
  readonly #pretrigger: PretriggerTap | null;
  #loadSince: number;
  #last: { readonly time: number; readonly worldFromBase: Pose } | null = null;

  /**
   * @param now microseconds of the head's clock
   * @throws {SettingError | RangeError} if the setup or the settings do not fit
   */
  constructor(start: SensingStart, say: (message: FromSensing) => void, now: () => number) {
    this.#head = new Head(start.setup, resolveSettings(start.settings), {
      hasWalls: true,
      onReach: (outputs) => {
        this.#tellReach(outputs);
        this.#isReachTold = true;
      },
    });
    this.#readers = start.slots.map((memory) => new FrameReader(memory));
    this.#say = say;
    this.#now = now;
    this.#loadSince = now();
    this.#pretrigger = start.pretrigger ? new PretriggerTap(start.pretrigger) : null;
    this.#pretrigger?.begin(start.setup, this.#head.settings);
    this.#governor = new Governor();
    this.#pictures = new Pictures(this.#head, say);
    this.#blocks = new ChangedBlocks(this.#head.grid, start.blocksEvery);
    this.#tiles = new ChangedTiles(this.#head.floorSource);
    this.#ways = new WayPost(this.#head, say, now);
    say({ kind: "ready", voxelSize: this.#head.grid.voxelSize, settings: this.#head.settings });
  }

  take(message: ToSensing): void {
    const begun = this.#now();
    this.#handle(message);
    const now = this.#now();
    this.#worked += now - begun;
    this.tick(now);
  }

  /** Takes a beat of this thread's timer. @param late microseconds of lateness */
  beat(late: number): void {
    this.#governor.beat(late);
    this.tick();
  }

  /** Takes a reading of the board's temperature. */
  takeHeat(heat: Heat): void {
    this.#heat.add(this.#now(), heat);
  }

  /** Sends the reports that are due. Called after each message and with each beat. */
  tick(now = this.#now()): void {
    this.#cleared.expire(now);
    const blocks = this.#blocks.due(now);
    if (blocks !== null) this.#say({ kind: "blocks", revision: this.#head.grid.frame, ...blocks });
    if (this.#last !== null) {
      const [x, y] = this.#last.worldFromBase.position;
      const tiles = this.#tiles.due(now, this.#last.time, [x, y]);
      if (tiles !== null) this.#say({ kind: "tiles", ...tiles });
    }
    this.#ways.tick();
    if (this.#last !== null && this.#ways.isDue(now)) {
      const { time, worldFromBase } = this.#last;
      const [x, y, yaw] = planarOf(worldFromBase);
      this.#ways.look({ time, revision: this.#head.grid.frame, base: { x, y, yaw }, ...this.#wayBody }, now);
    }
    if (now >= this.#nextLoad) this.#reportLoad(now);
  }

  /** The body for which ways are found, and the size of the map's cells. */
  get #wayBody(): WayBody {
    const { body } = guardSettings(this.#head.settings);
    return { footprint: body.footprint, gap: bodyLimits(body).gap, cellSize: this.#head.grid.voxelSize };
  }

  /** Lets another thread find ways, which gets floor and questions by a port. */
  connectWays(port: MessagePort): void {
    this.#ways.connect(port);
  }

  /** Sends all changes of the map, due or not. */
  publishMap(): void {
    this.#blocks.hurry();
    this.#tiles.hurry();
    this.tick();
  }

  /** Sends the pictures of the newest frame, due or not. */
  showAgain(): void {
    this.#pictures.again(this.#now());
  }

  #handle(message: ToSensing): void {
    switch (message.kind) {
      case "event": {
        const begun = this.#now();
        if (message.event.kind === "shed") {
          this.#playedShed = message.event.level;
          this.#shed(message.event.time);
          break;
        }
        this.#events[message.event.kind] = (this.#events[message.event.kind] ?? 0) + 1;
        this.#pretrigger?.take(message.event);
        this.#tell(this.#head.take(message.event), begun);
        break;
      }
      case "frame":
        this.#takeFrame(message.sensor);
        break;
      case "ask":
        this.#try(message.ticket, () => this.#ask(message.ticket, message.question));
        break;
      case "change":
        this.#try(message.ticket, () => {
          this.#head.change(resolveSettings({ ...this.#head.settings, ...message.settings }));
          this.#pretrigger?.begin(this.#head.setup, this.#head.settings);
          this.#say({ kind: "changed", ticket: message.ticket, settings: this.#head.settings });
        });
        break;
      case "sensors":
        this.#try(message.ticket, () => {
          this.#head.change(this.#head.settings, message.setup);
          this.#pretrigger?.begin(this.#head.setup, this.#head.settings);
          // A reader holds the index of its own buffer, so readers of unchanged slots are kept.
          this.#readers = message.slots.map((memory, i) => {
            const known = this.#readers[i];
            return known?.is(memory) ? known : new FrameReader(memory);
          });
          this.#done(message.ticket, null);
        });
        break;
      case "pictures":
        this.#pictures.want(message.wanted, this.#now());
        break;
      case "watch":
        this.#ways.watch(message.watch, message.goal);
        break;
      case "clear":
        this.#try(message.ticket, () => {
          const { trail } = this.#pictures;
          this.#cleared.keep(this.#head.clear(), trail.stops, this.#now());
          trail.clear();
          this.#blocks.takeAsSent();
          this.#tiles.forget();
          this.#done(message.ticket, null);
        });
        break;
      case "undo":
        this.#try(message.ticket, () => {
          const { map, stops } = this.#cleared.take(this.#now());
          const lost = this.#head.grid.count;
          this.#head.restore(map);
          this.#pictures.trail.putBefore(stops);
          this.#say({ kind: "restored", ticket: message.ticket, lost });
          this.#blocks.sendAll();
          this.#tiles.forget();
        });
        break;
      case "snapshot":
        this.#try(message.ticket, () => {
          const parts = this.#head.memory(KEYFRAME_BYTES);
          this.#done(
            message.ticket,
            parts === null ? encodeSnapshot(this.#head.grid, crc32c) : encodePlace(parts),
          );
        });
        break;
      case "load":
        this.#try(message.ticket, () => {
          this.#load(message.bytes);
          this.#done(message.ticket, null);
        });
        break;
      case "giveUpSeeking":
        this.#head.giveUpSeeking();
        this.#done(message.ticket, null);
        break;
      default:
        message satisfies never;
    }
  }

  /** Takes what an earlier run saved. Tracked poses first look for the place in it. */
  #load(bytes: Uint8Array): void {
    const head = this.#head;
    if (!isPlaceFile(bytes)) {
      head.load(decodeSnapshot(bytes, crc32c));
      return;
    }
    const place = decodePlace(bytes, floorSettings(head.settings));
    if (head.settings["pose.source"] === "tracked") head.seek(place);
    else head.load(place.grid);
  }

  #ask(ticket: number, question: PlacedQuestion): void {
    const { layers, floor, walls, grid, settings, footing } = this.#head;
    const time = this.#last?.time ?? null;
    const revision = grid.frame;
    const worldFromBase = this.#last?.worldFromBase ?? null;
    if (question.about === "way" || question.about === "look") {
      if (worldFromBase === null) {
        this.#say({ kind: "answer", ticket, time, revision, answer: null });
        return;
      }
      const [x, y, yaw] = planarOf(worldFromBase);
      const order =
        question.about === "way"
          ? { question, ...endsOfWay(question, worldFromBase), ...this.#wayBody }
          : { question, base: { x, y, yaw }, ...this.#wayBody };
      this.#ways.ask({ kind: "ask", ticket, time, revision, order });
      return;
    }
    const found = answer(question, {
      layers,
      floor,
      walls,
      grid,
      footing,
      columnSize: grid.voxelSize,
      clearanceLimit: settings["body.clearanceLimit"],
      worldFromBase,
      trail: this.#pictures.trail,
      time: time ?? 0,
    });
    this.#say({ kind: "answer", ticket, time, revision, answer: found });
  }

  #try(ticket: number, work: () => void): void {
    try {
      work();
    } catch (error) {
      const isExpected =
        error instanceof SettingError ||
        error instanceof RangeError ||
        error instanceof SnapshotError ||
        error instanceof DecodeError;
      if (!isExpected) throw error;
      this.#say({ kind: "refused", ticket, message: error.message });
    }
  }

  #done(ticket: number, bytes: Uint8Array | null): void {
    this.#say({ kind: "done", ticket, bytes, revision: this.#head.grid.frame });
  }

  #takeFrame(sensor: number): void {
    const frame = this.#readers[sensor]?.take() ?? null;
    if (frame === null) return; // taken at an earlier notice
    const { time, sequence, counts, amplitude } = frame;
    const begun = this.#now();
    const missed = Math.max(0, sequence - (this.#sequences[sensor] ?? sequence - 1) - 1);
    this.#sequences[sensor] = sequence;
    this.#frame = sequence;
    const event = { kind: "depth", time, sensor, sequence, counts, amplitude } as const;
    this.#tell(this.#head.take(event), begun);
    this.#pretrigger?.take(event);
    this.#governor.add(frame.arrival, this.#now() - begun, missed);
    this.#shed(time);
    this.#pictures.take({ sensor, time, sequence, amplitude }, this.#now());
  }

  /** Sends a changed level of load shedding to the head and the pre-trigger recorder. */
  #shed(time: number): void {
    const level = Math.max(this.#governor.shed, this.#heat.level, this.#playedShed);
    if (level === this.#shedLevel) return;
    this.#shedLevel = level;
    const begun = this.#now();
    const event = { kind: "shed", time, level } as const;
    this.#pretrigger?.take(event);
    this.#tell(this.#head.take(event), begun);
  }

  #tell(outputs: readonly HeadOutput[], begun: number): void {
    if (outputs.length === 0) return;
    if (!this.#isReachTold) this.#tellReach(outputs);
    this.#isReachTold = false;
    for (const output of outputs) {
      switch (output.kind) {
        case "frame": {
          const { sensor, time, sequence, missed, revision, worldFromBase, track } = output;
          const cost = (this.#now() - begun) / 1000;
          this.#last = { time, worldFromBase };
          const known = track?.hold ?? this.#head.settings["pose.source"];
          this.#pictures.trail.add(time, revision, worldFromBase, known);
          this.#say({ kind: "frame", sensor, time, sequence, missed, revision, worldFromBase, track, cost });
          break;
        }
        case "skipped":
          this.#say({ kind: "skipped", sensor: output.sensor, why: output.why, detail: output.detail });
          break;
        case "waiver":
        case "finding":
        case "knock":
        case "frozen":
        case "lens":
          this.#say(output);
          break;
        case "track":
          // The loop closure has changed the shape of the earlier path.
          if (output.note.what === "loop closed" && output.note.distance > 0) this.#pictures.trail.clear();
          if (output.note.what === "place found") {
            this.#pictures.trail.clear();
            this.#blocks.hurry();
            this.#tiles.hurry();
          }
          this.#say(output);
          break;
        case "reach":
          this.#say({ kind: "brinks", time: output.time, brinks: output.brinks });
          break;
        case "glance":
        case "layers":
          break; // contained in the reach, or internal to the head
        default:
          output satisfies never;
      }
    }
  }

  /** Sends the reach of an event once. */
  #tellReach(outputs: readonly HeadOutput[]): void {
    const say = (time: number, holds: number, body: ReachBody) =>
      this.#say({ kind: "reach", time, holds, frame: this.#frame, body });
    const found = outputs.findLast((output) => output.kind === "reach");
    if (found !== undefined) {
      say(found.time, found.until - found.time, reachBody(found, this.#head.settings["guard.maxReach"]));
      return;
    }
    const frame = outputs.findLast((output) => output.kind === "frame");
    if (frame === undefined || this.#seesFloor) return;
    const { layers, grid } = this.#head;
    const obstacles = reachOfMap(layers, grid.voxelSize, frame.worldFromBase);
    say(frame.time, 1e6 * HOLD_MOST, reachOfObstacles(obstacles));
  }

  /** Whether the guard can judge at least one of the sensors. */
  get #seesFloor(): boolean {
    return this.#head.setup.sensors.some(({ optics }) => optics.model !== "scan");
  }

  #reportLoad(now: number): void {
    const busy = this.#worked / Math.max(1, now - this.#loadSince);
    const { grid } = this.#head;
    this.#say({
      kind: "load",
      busy,
      shed: this.#shedLevel,
      isHot: this.#heat.level > 0,
      blocks: grid.count,
      revision: grid.frame,
      events: this.#events,
      leftOut: this.#pretrigger?.leftOut ?? 0,
    });
    this.#events = {};
    this.#worked = 0;
    this.#loadSince = now;
    this.#nextLoad = now + LOAD_EVERY;
  }
}
