import { parentPort, workerData } from "node:worker_threads";
import { openRecording } from "../record/file.ts";
import { type FromPlaying, Playing, type PlayingStart, type ToPlaying } from "./playing.ts";
import { headTime } from "./time.ts";

// The sensing thread of a head that plays a recording.

const say = (message: FromPlaying): void => {
  const bytes = "bytes" in message && message.bytes !== null ? [message.bytes.buffer as ArrayBuffer] : [];
  parentPort!.postMessage(message, bytes);
};
const start = workerData as PlayingStart;
const playing = new Playing(await openRecording(start.path), start, say, headTime);
parentPort!.on("message", (message: ToPlaying) => playing.take(message));
setInterval(() => playing.tick(), 200);
