import { type MessagePort, parentPort, workerData } from "node:worker_threads";
import { type Kept, type Reason, Stash, type StashNews, type StashSettings } from "./stash.ts";
import type { ToStash } from "./tap.ts";

// The stash's thread: it may wait for the disk.

/** What the sockets' thread tells it. */
export type StashOrder =
  | { readonly kind: "keep"; readonly reason: Reason; readonly text: string }
  | { readonly kind: "port"; readonly port: MessagePort }
  | { readonly kind: "close" };
/** What it says. */
export type FromStash =
  | StashNews
  | { readonly kind: "list"; readonly kept: readonly Kept[] }
  | { readonly kind: "closed" };

const say = (message: FromStash): void => parentPort!.postMessage(message);
const stash = new Stash(workerData as StashSettings, (news) => {
  say(news);
  if (news.kind === "kept") say({ kind: "list", kept: stash.list() });
});
say({ kind: "list", kept: stash.list() });

function take(port: MessagePort, message: ToStash): void {
  if (message.kind === "begin") stash.begin(message.setup, message.settings);
  else if (message.kind === "event") stash.take(message.event);
  else {
    const { time, sensor, sequence, pixels, hasAmplitude, images } = message;
    const counts = new Uint16Array(images, 0, pixels);
    const amplitude = hasAmplitude ? new Uint16Array(images, 2 * pixels) : null;
    stash.take({ kind: "depth", time, sensor, sequence, counts, amplitude });
    port.postMessage(images, [images]);
  }
}

parentPort!.on("message", (order: StashOrder) => {
  if (order.kind === "port") {
    const { port } = order;
    port.on("message", (messages: readonly ToStash[]) => {
      for (const message of messages) take(port, message);
    });
  } else if (order.kind === "keep") stash.keep(order.reason, order.text);
  else void stash.close().then(() => say({ kind: "closed" }));
});
