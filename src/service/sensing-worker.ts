import { type MessagePort, parentPort, workerData } from "node:worker_threads";
import { type FromSensing, Sensing, type SensingStart, type ToSensing } from "./sensing.ts";
import { headTime } from "./time.ts";

// The sensing thread. A player's thread talks to it through a port of its own, so that its frames do not pass the sockets'
// thread.

const say = (message: FromSensing): void => {
  const bytes = "bytes" in message && message.bytes !== null ? [message.bytes.buffer as ArrayBuffer] : [];
  parentPort!.postMessage(message, bytes);
};
const sensing = new Sensing(workerData as SensingStart, say, headTime);
parentPort!.on("message", (message: ToSensing | { readonly kind: "port"; readonly port: MessagePort }) => {
  if (message.kind === "port") message.port.on("message", (inner: ToSensing) => sensing.take(inner));
  else sensing.take(message);
});
setInterval(() => sensing.tick(), 100);
