import { type MessagePort, parentPort, workerData } from "node:worker_threads";
import { Batch, movedOf } from "../batch.ts";
import { headTime } from "../time.ts";
import { readHeat } from "./heat.ts";
import { Sensing } from "./sensing.ts";
import type { FromSensing, SensingStart, ToSensing } from "./sensing-messages.ts";

// The sensing thread. A player's thread sends to it through a port of its own, so that its frames do not pass through the service's thread.

/** Microseconds between checks for due reports. */
const BEAT = 100_000;
/** Milliseconds between readings of the temperature. */
const HEAT_EVERY = 5000;

const batch = new Batch<FromSensing>((messages, moved) => parentPort!.postMessage(messages, moved));
const say = (message: FromSensing): void => {
  batch.add(message, movedOf(message));
  if (message.kind === "reach") batch.send();
};
const sensing = new Sensing(workerData as SensingStart, say, headTime);
type Orders = readonly ToSensing[] | { readonly kind: "player" | "ways"; readonly port: MessagePort };
parentPort!.on("message", (orders: Orders) => {
  if ("port" in orders && orders.kind === "ways") sensing.connectWays(orders.port);
  else if ("port" in orders) orders.port.on("message", (message: ToSensing) => sensing.take(message));
  else for (const message of orders) sensing.take(message);
});
let due = headTime() + BEAT;
setInterval(() => {
  const now = headTime();
  sensing.beat(now - due);
  due = now + BEAT;
}, BEAT / 1000);
setInterval(async () => {
  const heat = await readHeat();
  if (heat !== null) sensing.takeHeat(heat);
}, HEAT_EVERY);
