import { parentPort } from "node:worker_threads";
import { makeMapFile } from "./map-files.ts";
import type { FileAnswer, FileRequest } from "./map-files-thread.ts";

// The thread that makes files of the map, one after the other.

let last: Promise<void> = Promise.resolve();

parentPort!.on("message", ({ id, wanted }: FileRequest) => {
  last = last.then(async () => {
    const answer: FileAnswer = await makeMapFile(wanted).then(
      // A copy of its own, because the bytes may lie in a buffer that other arrays share.
      (file) => ({ id, file: file && new Uint8Array(file) }),
      (error: unknown) => ({ id, trouble: error instanceof Error ? error.message : String(error) }),
    );
    const moved = "file" in answer && answer.file !== null ? [answer.file.buffer as ArrayBuffer] : [];
    parentPort!.postMessage(answer, moved);
  });
});
