import { type MessagePort, parentPort, workerData } from "node:worker_threads";
import type { Kept, Reason } from "./kept-stretches.ts";
import { type PretriggerNews, PretriggerRecorder, type PretriggerSettings } from "./recorder.ts";
import type { ToPretrigger } from "./tap.ts";

// The thread of the pre-trigger recorder. It may block on the disk.

/** Messages from the service's thread. */
export type PretriggerOrder =
  | { readonly kind: "keep"; readonly reason: Reason; readonly text: string }
  | { readonly kind: "port"; readonly port: MessagePort }
  | { readonly kind: "close" };
/** Messages to the service's thread. */
export type FromPretrigger =
  | PretriggerNews
  | { readonly kind: "list"; readonly kept: readonly Kept[] }
  | { readonly kind: "closed" };

const say = (message: FromPretrigger): void => parentPort!.postMessage(message);
const recorder = new PretriggerRecorder(workerData as PretriggerSettings, (news) => {
  // The list goes first, so that a kept stretch is in it when its news arrives.
  if (news.kind === "kept") say({ kind: "list", kept: recorder.list() });
  say(news);
});
say({ kind: "list", kept: recorder.list() });

function take(port: MessagePort, message: ToPretrigger): void {
  if (message.kind === "begin") recorder.begin(message.setup, message.settings);
  else if (message.kind === "event") recorder.take(message.event);
  else {
    const { time, sensor, sequence, pixels, hasAmplitude, images } = message;
    const counts = new Uint16Array(images, 0, pixels);
    const amplitude = hasAmplitude ? new Uint16Array(images, 2 * pixels) : null;
    recorder.take({ kind: "depth", time, sensor, sequence, counts, amplitude });
    port.postMessage(images, [images]);
  }
}

parentPort!.on("message", (order: PretriggerOrder) => {
  if (order.kind === "port") {
    const { port } = order;
    port.on("message", (messages: readonly ToPretrigger[]) => {
      for (const message of messages) take(port, message);
    });
  } else if (order.kind === "keep") recorder.keep(order.reason, order.text);
  else void recorder.close().then(() => say({ kind: "closed" }));
});
