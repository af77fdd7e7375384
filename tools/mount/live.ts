import { createWriteStream } from "node:fs";
import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Readable } from "node:stream";
import { pipeline } from "node:stream/promises";
import { setTimeout as wait } from "node:timers/promises";
import { WebSocket } from "ws";
import { HeadClient, RequestError, type Socket } from "../../src/client/client.ts";
import { createRecording, openRecording } from "../../src/record/file.ts";
import type { RecordingWriter } from "../../src/record/writer.ts";
import { type Motion, Shown } from "./shown.ts";

/** The head cannot be reached, or does not record; the message says what to do. */
export class LiveError extends Error {
  override readonly name = "LiveError";
}

export interface LiveOptions {
  /** ws:// or wss:// */
  readonly url: string;
  readonly token?: string;
  /** Longest drive, seconds. */
  readonly seconds: number;
  /** File of the drive's recording. */
  readonly out: string;
  readonly overwrite: boolean;
  /** Prints a line for the driver. */
  readonly say: (line: string) => void;
  /** Called when another motion is the next one. */
  readonly show?: (motion: Motion) => void;
}

interface Kept {
  readonly name: string;
  readonly text: string;
  readonly at: string;
}

/** Milliseconds: to reach the head; between two requests to keep; between two checks for kept recordings; between two lines on the progress of
 * a motion. */
const REACH = 8000;
const AGAIN = 4000;
const LOOK = 500;
const TELL = 2000;
/** Milliseconds of standing still that end the drive once all is shown; for a head to write down what it keeps. */
const REST = 1500;
const WRITTEN = 120_000;

/**
 * Lets a head keep its inputs during the drive, prints which motion is still missing, and fetches the recording.
 * @throws {LiveError} naming what is wrong with the head or the way to it
 */
export async function recordLive(options: LiveOptions, signal: AbortSignal): Promise<void> {
  const { url, token, say } = options;
  const client = new HeadClient({
    url,
    role: "watcher",
    name: "mount",
    topics: { pose: 20 },
    makeSocket: (address, protocol) => new WebSocket(address, protocol) as unknown as Socket,
    ...(token !== undefined && { token }),
  });
  const folder = await mkdtemp(join(tmpdir(), "brinkmap-mount-"));
  try {
    await opened(client, url);
    const text = `mounting drive ${Date.now().toString(36)}`;
    const start = await drive(client, options, text, signal);
    say("the drive is over; the head writes the recording");
    const paths = await fetchKept(options, text, folder);
    await joined(paths, start, options);
  } finally {
    client.close();
    await rm(folder, { recursive: true, force: true });
  }
}

async function opened(client: HeadClient, url: string): Promise<void> {
  let why = "it does not answer";
  const isOpen = new Promise<boolean>((resolve) => {
    client.on("open", () => resolve(true));
    client.on("closed", ({ code, reason, retry }) => {
      if (reason !== "") why = reason;
      else if (code === 1006) why = "no head answers there";
      if (retry === null) resolve(false);
    });
    setTimeout(() => resolve(false), REACH).unref();
  });
  if (!(await isOpen)) throw new LiveError(`no head at ${url}: ${why} (serve tells its address)`);
}

/** Waits until all motions were shown, the time is up, or `signal`; returns the head's clock at the start. */
async function drive(
  client: HeadClient,
  { seconds, say, show }: LiveOptions,
  text: string,
  signal: AbortSignal,
): Promise<number> {
  const shown = new Shown();
  let start: number | null = null;
  let [told, moved] = ["", Number.NEGATIVE_INFINITY];
  client.on("pose", ({ time, worldFromBase }) => {
    start ??= time;
    shown.take(time, worldFromBase);
    const [next = ""] = shown.missing();
    const now = performance.now();
    // The next motion is printed at once, its progress every TELL.
    const isOther = next.split(" (")[0] !== told.split(" (")[0];
    if (next === told || !(isOther || now - moved > TELL)) return;
    [told, moved] = [next, now];
    if (isOther && shown.next !== null) show?.(shown.next);
    if (next === "") say("all motions are shown; stand still");
    else say(`next: ${next}`);
  });
  await keep(client, text);
  const end = performance.now() + 1000 * seconds;
  for (let asked = performance.now(); !signal.aborted && performance.now() < end; ) {
    await wait(100);
    if (performance.now() - asked >= AGAIN) {
      await keep(client, text);
      asked = performance.now();
    }
    if (start !== null && told === "" && performance.now() - moved >= REST) break;
  }
  const missing = shown.missing();
  if (start === null) {
    throw new LiveError(
      "the head tells no pose: it has no depth frames, or no odometry (pose.source); its page says which",
    );
  }
  if (missing.length > 0) say(`not shown yet: ${missing.join("; ")}`);
  await keep(client, overOf(text));
  return start;
}

/** Label of the last kept recording. */
const overOf = (text: string): string => `${text}, over`;

async function keep(client: HeadClient, text: string): Promise<void> {
  try {
    await client.keep(text);
  } catch (error) {
    if (!(error instanceof RequestError)) throw error;
    if (/pretrigger\.folder/.test(error.message)) {
      throw new LiveError(
        'the head keeps no recordings: put "pretrigger": { "folder": "pretrigger" } into its settings file and start it again',
      );
    }
    throw new LiveError(`the head does not keep the drive: ${error.message}`);
  }
}

/** Files of all recordings that were kept under that text, oldest first. A long drive is kept in several that overlap. */
async function fetchKept({ url, token }: LiveOptions, text: string, folder: string): Promise<string[]> {
  const address = new URL(url.replace(/^ws/, "http"));
  const headers: Record<string, string> = token === undefined ? {} : { authorization: `Bearer ${token}` };
  const get = async (path: string): Promise<Response> => {
    const answer = await fetch(new URL(path, address), { headers });
    if (!answer.ok) throw new LiveError(`the head does not give ${path}: ${(await answer.text()).trim()}`);
    return answer;
  };
  const until = performance.now() + WRITTEN;
  let kept: Kept[] = [];
  let isLast = false;
  while (!isLast) {
    await wait(LOOK);
    const list = (await (await get("/kept")).json()) as { kept: Kept[]; trouble: string | null };
    if (list.trouble !== null) throw new LiveError(`the head cannot write: ${list.trouble}`);
    kept = list.kept.filter((one) => one.text.includes(text));
    isLast = kept.some((one) => one.text.includes(overOf(text)));
    if (performance.now() > until) {
      if (kept.length > 0) break;
      throw new LiveError("the head kept no recording; see its log");
    }
  }
  const paths: string[] = [];
  for (const { name } of kept.sort((a, b) => (a.at < b.at ? -1 : 1))) {
    const path = join(folder, name.replaceAll(/[^\w.-]/g, "_"));
    const { body } = await get(`/kept/${name}`);
    await pipeline(Readable.fromWeb(body as Parameters<typeof Readable.fromWeb>[0]), createWriteStream(path));
    paths.push(path);
  }
  return paths;
}

/** Joins several overlapping recordings from `start` on; earlier events are not part of the drive. */
async function joined(
  paths: readonly string[],
  start: number,
  { out, overwrite }: LiveOptions,
): Promise<void> {
  let writer: RecordingWriter | null = null;
  /** The newest stamp of each stream: older events were in the previous recording. */
  const newest = new Map<string, number>();
  for (const path of paths) {
    const recording = await openRecording(path);
    try {
      writer ??= await createRecording(
        out,
        { ...recording.header, about: "a mounting drive" },
        { overwrite },
      );
      const before = new Map(newest);
      for (const event of recording.events()) {
        const stream = `${event.kind} ${"sensor" in event ? event.sensor : ""}`;
        if (event.time < start || event.time <= (before.get(stream) ?? -1)) continue;
        newest.set(stream, Math.max(event.time, newest.get(stream) ?? -1));
        writer.write(event);
      }
    } finally {
      recording.close();
    }
  }
  await writer?.close();
}
