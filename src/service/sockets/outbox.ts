import { type Form, SharedMessage } from "../../wire/codec.ts";
import type { Draft, Topic } from "../../wire/messages.ts";
import type { FloorStore } from "./floor-store.ts";
import type { MapStore } from "./map-store.ts";
import { PatchFeed } from "./patch-feed.ts";
import { type Lane, Unread } from "./unread.ts";

/** The connection that an outbox writes to. */
export interface Wire {
  send(data: string | Uint8Array): void;
  /** Sends a ping. Its answer shows that everything before was read, and calls `Outbox.confirm` with the number. */
  ping(sequence: number): void;
  /** Bytes that the system has not accepted yet. */
  readonly backlog: number;
}

/** Most pending replies. A client that keeps asking without reading is closed. */
const MOST_REPLIES = 128;
const MOST_NOTES = 64;
/** Most unread messages of one topic in flight. At 30 Hz it allows a round trip of 100 ms. */
const MOST_UNREAD = 3;
/** Most unread bytes in flight, in total. */
const MOST_BYTES_UNREAD = 256 * 1024;
/** Most bytes of one patch of the map. */
const LONGEST_PATCH = 16 * 1024;

/** Topics of which a newer message replaces the pending one. */
export type Queued = Exclude<Topic, "map" | "floor" | "notes">;
/** Priority of pending messages. The reach goes first, because the base drives by it. */
const RANK: Readonly<Record<Queued, number>> = {
  reach: 0,
  pose: 1,
  way: 2,
  playing: 2,
  baseline: 3,
  brinks: 3,
  ground: 4,
  pulse: 5,
  recording: 6,
  trail: 7,
  image: 8,
};
const ORDER = (Object.keys(RANK) as Queued[]).sort((a, b) => RANK[a] - RANK[b]);

function patchesOf(map: MapStore, floor: FloorStore): readonly PatchFeed[] {
  return [
    new PatchFeed("floor", floor, ({ bytes, ...rest }) => ({
      kind: "floor",
      ...rest,
      cell: floor.cell,
      at: floor.at,
      tiles: bytes,
    })),
    new PatchFeed("map", map, ({ bytes, ...rest }) => ({ kind: "patch", ...rest, blocks: bytes })),
  ];
}

interface Subscription {
  readonly interval: number;
  due: number;
  waiting: SharedMessage | null;
}

/**
 * Pending messages of one client. Its memory is bounded whatever the client does. A newer reach, pose or pulse replaces the pending one. Of the
 * map only the number of the client's newest change is stored. The number of replies and notes is limited.
 *
 * The kernel's socket buffers hold seconds of messages, so they hide a client that has stopped reading. Messages are therefore followed by a
 * ping, one at a time, which every WebSocket client answers once it has read up to it (RFC 6455, 5.5.2). Only a few messages may be
 * unanswered. A client that reads again after a pause gets those few, and then the newest.
 */
export class Outbox {
  readonly #wire: Wire;
  readonly #form: Form;
  /** The parts of the map; the smaller one first. */
  readonly #patches: readonly PatchFeed[];
  readonly #now: () => number;
  /** Whether the client confirms with `seen` messages; else its pongs count. */
  readonly #confirms: boolean;
  readonly #subscriptions = new Map<Queued, Subscription>();
  readonly #replies: SharedMessage[] = [];
  #notes: Draft<"note">[] = [];
  #notesMissed = 0;
  #wantsNotes = false;
  readonly #unread = new Unread();
  #sequence = 0;
  #pinged = 0;
  #confirmed = 0;
  #timer: NodeJS.Timeout | null = null;
  #isClosed = false;
  /** Called when too many replies are pending. */
  readonly #overflow: () => void;
  /** Factor on the intervals of watchers. It is larger while the head sheds load. */
  stretch = 1;
  /** Number of pending messages that were replaced by newer ones. */
  replaced = 0;
  sentMessages = 0;
  sentBytes = 0;

  constructor(
    wire: Wire,
    options: {
      readonly form: Form;
      readonly confirms: boolean;
      readonly map: MapStore;
      readonly floor: FloorStore;
      readonly now: () => number;
      readonly overflow: () => void;
    },
  ) {
    this.#wire = wire;
    this.#form = options.form;
    this.#confirms = options.confirms;
    this.#patches = patchesOf(options.map, options.floor);
    this.#now = options.now;
    this.#overflow = options.overflow;
  }

  /** Sets subscriptions. Rates are messages a second; 0 ends a subscription. */
  subscribe(
    topic: Topic,
    rate: number,
    have: { readonly epoch: string; readonly change: number } | null = null,
  ): void {
    const interval = rate > 0 ? 1e6 / rate : 0;
    if (topic === "notes") this.#wantsNotes = rate > 0;
    else if (topic === "map" || topic === "floor") {
      this.#patches.find((feed) => feed.topic === topic)!.subscribe(interval, have);
    } else if (rate > 0) this.#subscriptions.set(topic, { interval, due: 0, waiting: null });
    else this.#subscriptions.delete(topic);
    this.pump();
  }

  /** Queues the newest message of a topic, in place of a pending one. */
  offer(topic: Queued, message: SharedMessage): void {
    const subscription = this.#subscriptions.get(topic);
    if (subscription === undefined) return;
    if (subscription.waiting !== null) this.replaced++;
    subscription.waiting = message;
    this.pump(topic);
  }

  /** The subscribed rate of a topic, messages a second. */
  rateOf(topic: Queued): number {
    const subscription = this.#subscriptions.get(topic);
    return subscription === undefined ? 0 : 1e6 / subscription.interval;
  }

  get wantsNotes(): boolean {
    return this.#wantsNotes;
  }

  note(note: Draft<"note">): void {
    if (!this.#wantsNotes) return;
    if (this.#notes.length === MOST_NOTES) {
      this.#notes.shift();
      this.#notesMissed++;
    }
    this.#notes.push(note);
    this.pump();
  }

  reply(draft: Draft): void {
    if (this.#replies.length >= MOST_REPLIES) {
      this.#overflow();
      return;
    }
    this.#replies.push(new SharedMessage(draft));
    this.pump();
  }

  /** Notes that the client has read everything up to a number. Numbers that were never sent are ignored. */
  confirm(sequence: number): void {
    if (sequence > this.#sequence) return;
    if (!this.#unread.confirm(sequence, this.#now())) return;
    this.#confirmed = sequence;
    this.pump();
    if (!this.#unread.isEmpty) this.#ping();
  }

  /** Age of the oldest unread message, microseconds; 0 when everything is read. */
  get silence(): number {
    return this.#unread.oldest === null ? 0 : this.#now() - this.#unread.oldest;
  }

  close(): void {
    this.#isClosed = true;
    if (this.#timer !== null) clearTimeout(this.#timer);
    this.#subscriptions.clear();
    this.#replies.length = 0;
    this.#notes = [];
  }

  /**
   * Sends the messages that are due and allowed.
   * @param fresh a topic whose message is new: it may be sent a little early instead of waiting
   */
  pump(fresh: Topic | null = null): void {
    if (this.#isClosed) return;
    const now = this.#now();
    const before = this.#sequence;
    for (const topic of ORDER) this.#pumpTopic(topic, now, topic === fresh);
    while (this.#replies.length > 0 && this.#hasRoom()) this.#send(this.#replies.shift()!, "other", now);
    while (this.#notes.length > 0 && this.#hasRoom() && this.#unread.count("other") < MOST_NOTES) {
      const note = this.#notes.shift()!;
      const missed = this.#notesMissed;
      this.#notesMissed = 0;
      this.#send(new SharedMessage(missed > 0 ? { ...note, missed } : note), "other", now);
    }
    for (const feed of this.#patches) this.#pumpPatches(feed, now);
    if (this.#sequence !== before) this.#ping();
    this.#arm(now);
  }

  /** Sends a ping if none is unanswered: some clients treat several in a row as a flood, and close. */
  #ping(): void {
    if (this.#confirms || this.#pinged > this.#confirmed) return;
    this.#pinged = this.#sequence;
    this.#wire.ping(this.#sequence);
  }

  #hasRoom(): boolean {
    return this.#unread.bytes < MOST_BYTES_UNREAD && this.#wire.backlog < MOST_BYTES_UNREAD;
  }

  #pumpTopic(topic: Queued, now: number, isFresh: boolean): void {
    const subscription = this.#subscriptions.get(topic);
    // A new message may be half an interval early, so that every second frame of a source with twice the rate is sent.
    if (!subscription?.waiting || now < subscription.due - (isFresh ? subscription.interval / 2 : 0)) return;
    if (this.#unread.count(topic) >= MOST_UNREAD) return;
    this.#send(subscription.waiting, topic, now);
    subscription.waiting = null;
    subscription.due = Math.max(subscription.due + subscription.interval * this.stretch, now);
  }

  #pumpPatches(feed: PatchFeed, now: number): void {
    const due = feed.dueAt;
    if (due === null || now < due) return;
    // Even an empty one is sent, which tells that the old map is void.
    if (!feed.isSame) {
      this.#send(new SharedMessage(feed.take(LONGEST_PATCH)), feed.topic, now);
      if (feed.dueAt === null) return;
    }
    while (feed.dueAt !== null) {
      const room = this.#unread.patchRoom;
      if (room <= 0 || !this.#hasRoom()) return; // `confirm` continues once the client has read
      this.#send(new SharedMessage(feed.take(Math.min(room, LONGEST_PATCH))), feed.topic, now);
    }
    feed.rest(now, this.stretch);
  }

  #send(message: SharedMessage, lane: Lane, now: number): void {
    const sequence = ++this.#sequence;
    const data = message.finish(this.#form, sequence, now);
    const size = data.length;
    this.#unread.add(sequence, lane, size, now);
    this.sentMessages++;
    this.sentBytes += size;
    this.#wire.send(data);
  }

  /** Sets a timer for the next due message. Messages that wait for the client to read are continued by `confirm`. */
  #arm(now: number): void {
    if (this.#timer !== null) clearTimeout(this.#timer);
    this.#timer = null;
    let due = Number.POSITIVE_INFINITY;
    for (const { waiting, due: at, interval } of this.#subscriptions.values()) {
      // A little later than due, because a newer message may arrive soon.
      if (waiting !== null && at > now) due = Math.min(due, at + interval / 8);
    }
    for (const { dueAt } of this.#patches) if (dueAt !== null && dueAt > now) due = Math.min(due, dueAt);
    if (due === Number.POSITIVE_INFINITY) return;
    this.#timer = setTimeout(() => this.pump(), Math.max(1, Math.ceil((due - now) / 1000)));
    this.#timer.unref();
  }
}
