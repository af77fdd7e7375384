import { parentPort, workerData } from "node:worker_threads";
import { openRecording } from "../record/file.ts";
import { movedOf, Parcel } from "./parcel.ts";
import { type FromPlaying, Playing, type PlayingStart, type ToPlaying } from "./playing.ts";
import { headTime } from "./time.ts";

// The sensing thread of a head that plays a recording.

const parcel = new Parcel<FromPlaying>((messages, moved) => parentPort!.postMessage(messages, moved));
const say = (message: FromPlaying): void => parcel.add(message, movedOf(message));
const start = workerData as PlayingStart;
const playing = new Playing(await openRecording(start.path), start, say, headTime);
parentPort!.on("message", (messages: readonly ToPlaying[]) => {
  for (const message of messages) playing.take(message);
});
setInterval(() => playing.tick(), 200);
