import { parentPort, workerData } from "node:worker_threads";
import { openRecording } from "../../record/file.ts";
import { Batch, movedOf } from "../batch.ts";
import { headTime } from "../time.ts";
import { Playing } from "./playing.ts";
import type { FromPlaying, PlayingStart, ToPlaying } from "./playing-messages.ts";

// The sensing thread of a head that plays a recording.

const batch = new Batch<FromPlaying>((messages, moved) => parentPort!.postMessage(messages, moved));
const say = (message: FromPlaying): void => batch.add(message, movedOf(message));
const start = workerData as PlayingStart;
const playing = new Playing(await openRecording(start.path), start, say, headTime);
parentPort!.on("message", (messages: readonly ToPlaying[]) => {
  for (const message of messages) playing.take(message);
});
setInterval(() => playing.tick(), 200);
