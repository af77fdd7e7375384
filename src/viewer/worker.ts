import { HeadClient, RequestError } from "../client/client.ts";
import { unpackCodes, unpackImage } from "../wire/image.ts";
import type { FromServer } from "../wire/messages.ts";
import { BaselineMap, type Player, type TakenMap } from "./baseline-map.ts";
import { type Bands, plansOf } from "./map-plans.ts";
import { castRay } from "./ray-cast.ts";
import { rimsOf } from "./rims.ts";
import { SurfaceFeed } from "./surface-feed.ts";
import {
  type FromWorker,
  type Request,
  sharedNow,
  type TimedPlans,
  type ToWorker,
  type Trail,
} from "./worker-messages.ts";

// The page's worker: the connection to the head, the map, and the map's surface.

interface WorkerScope {
  onmessage: ((event: { readonly data: ToWorker }) => void) | null;
  postMessage(message: FromWorker, transfer: readonly ArrayBufferLike[]): void;
}
const scope = globalThis as unknown as WorkerScope;
const tell = (message: FromWorker, transfer: readonly ArrayBufferLike[] = []): void =>
  scope.postMessage(message, transfer);

/** Most messages per second of each topic. */
const TOPICS = {
  reach: 30,
  pose: 30,
  pulse: 2,
  notes: 20,
  brinks: 5,
  map: 10,
  playing: 20,
  recording: 2,
  floor: 2,
  trail: 1,
  baseline: 20,
};
/** Most messages per second with the way to a chosen goal. */
const WAYS = 5;
/** Metres: the head's default, until its voxel size is known. */
const USUAL_VOXEL = 0.05;
/** Metres: longest ray. */
const FARTHEST = 200;

let client: HeadClient | null = null;
let surface: SurfaceFeed | null = null;
let bands: Bands | null = null;
/** Milliseconds: least interval between two messages with the floor. */
const FLOOR_EVERY = 200;
/** Most cells of the floor along a side: farther ones are not drawn. */
const MOST_CELLS = 8192;
let isFloorDue = false;
/** Metres: height of the floor under the base. */
let floorHeight = 0;
let imageRate = 0;
let baseline = newBaseline();
/** The map of another recording at its end, for the comparison; null: none. */
let keptRun: TakenMap | null = null;
/** Speed of the playback that is set after the next reconnection; null: none. */
let resumeSpeed: number | null = null;

function newBaseline(): BaselineMap {
  return new BaselineMap((isAwaited) => tell({ kind: "baseline map", isAwaited }));
}

function connect(url: string, token: string | null): void {
  const head = new HeadClient({
    url,
    role: "watcher",
    name: "page",
    ...(token !== null && { token }),
    topics: TOPICS,
  });
  client = head;
  baseline = newBaseline();
  surface = new SurfaceFeed(head.mirror, () => head.welcome?.map.voxelSize ?? USUAL_VOXEL, tell);
  const feed = surface;
  if (bands !== null) surface.bands = bands;
  let voxelSize: number | null = null;
  head.on("open", (welcome) => {
    // The page gets the whole map again: it may have drawn blocks with the other size.
    if (voxelSize !== null && welcome.map.voxelSize !== voxelSize) feed.change(null);
    voxelSize = welcome.map.voxelSize;
    if (resumeSpeed !== null) void resume(head, resumeSpeed);
    tell({ kind: "open", welcome });
    tellFloorSoon(head);
    head.subscribe({ image: imageRate });
  });
  head.on("closed", ({ reason, retry }) => tell({ kind: "closed", reason, retry }));
  head.on("floor", () => tellFloorSoon(head));
  head.on("map", (keys) => {
    feed.change(keys);
    baseline.mapChanged();
  });
  head.on("playing", (playing) => {
    baseline.setPlaying(playing);
    tell({ kind: "playing", playing });
  });
  head.on("baseline", (said) => {
    baseline.setCompared(said.changes.length > 0);
    tell({ kind: "baseline", baseline: said });
  });
  handOn(head);
}

/** Sets the speed of the playback, after a reconnection if the connection is closed: a changed voxel size closes it. */
async function resume(head: HeadClient, speed: number): Promise<void> {
  resumeSpeed = null;
  try {
    await head.play({ speed });
  } catch (error) {
    if (!(error instanceof RequestError && error.code === "closed")) throw error;
    resumeSpeed = speed;
  }
}

/** Forwards messages to the page, with packed arrays unpacked. */
function handOn(head: HeadClient): void {
  head.on("reach", (reach) => tell({ kind: "reach", reach, arrived: sharedNow() }));
  head.on("pose", (pose) => {
    floorHeight = pose.worldFromBase.position[2];
    tell({ kind: "pose", pose, arrived: sharedNow() });
  });
  head.on("pulse", (pulse) => tell({ kind: "pulse", pulse, arrived: sharedNow() }));
  head.on("way", (way) => tell({ kind: "way", way }));
  head.on("brinks", (brinks) => tell({ kind: "brinks", brinks }));
  head.on("recording", (recording) => tell({ kind: "recording", recording }));
  head.on("note", (note) => tell({ kind: "note", note }));
  head.on("error", ({ message }) => tell({ kind: "fault", text: message }));
  head.on("image", (image) => {
    const pixels = image.width * image.height;
    const { time, sensor, frame: number, width, height, unit } = image;
    const depth = unpackImage(image.depth, pixels);
    const reason = unpackCodes(image.reason, pixels);
    const amplitude = image.amplitude === null ? null : unpackImage(image.amplitude, pixels);
    tell({
      kind: "image",
      image: { time, sensor, frame: number, width, height, unit, depth, reason, amplitude },
    });
  });
  head.on("trail", (trail) => tell({ kind: "trail", trail: unpackTrail(trail) }));
  head.on("finding", ({ verdict, footing, alarm, point }) => {
    const place = point.map((v) => v.toFixed(2)).join(", ");
    const claim = `the base's floor sensor at ${place} m reports the floor ${alarm ? "missing" : "back"}`;
    tell({ kind: "fault", text: `${claim}; the head ${verdict}: ${footing}` });
  });
}

/** Sends the floor of the whole map to the page, at most every FLOOR_EVERY. */
function tellFloorSoon(head: HeadClient): void {
  if (isFloorDue) return;
  isFloorDue = true;
  setTimeout(() => {
    isFloorDue = false;
    if (client !== head) return;
    const all = head.floor.cells(MOST_CELLS);
    const edges = head.floor.edges();
    if (all === null) tell({ kind: "floor", ground: null, edges });
    else {
      tell({ kind: "floor", ground: { ...all, floor: floorHeight, rims: rimsOf(all) }, edges }, [
        all.cells.buffer,
      ]);
    }
  }, FLOOR_EVERY);
}

function unpackTrail({ classes, points, codes, keyframes, keyframeCodes }: FromServer<"trail">): Trail {
  // Copies, because in a message the bytes may begin at an unaligned offset.
  const floats = (bytes: Uint8Array): Float32Array => new Float32Array(bytes.slice().buffer);
  return {
    classes,
    points: floats(points),
    codes: codes.slice(),
    keyframes: floats(keyframes),
    keyframeCodes: keyframeCodes.slice(),
  };
}

/** The part of a head that the baseline's map needs. */
const playerOf = (head: HeadClient): Player => ({
  mirror: head.mirror,
  pause: () => head.play({ speed: 0 }),
  resume: (speed) => resume(head, speed),
});

async function answer(head: HeadClient, request: Request): Promise<unknown> {
  switch (request.kind) {
    case "ask":
      return head.ask(request.question);
    case "explain settings":
      return head.explainSettings();
    case "settings":
      return baseline.changing(playerOf(head), head.welcome?.map.voxelSize ?? USUAL_VOXEL, () =>
        head.settings(request.change, { confirm: request.confirm ?? false }),
      );
    case "mark":
      return head.mark(request.text);
    case "keep":
      return head.keep(request.text);
    case "map":
      return head.map(request.action);
    case "play":
      return head.play(request.wish);
    case "open":
      return head.openRecording(request.name);
    case "keep run": {
      await head.play({ to: Number.MAX_SAFE_INTEGER, speed: 0 });
      const voxelSize = head.welcome?.map.voxelSize ?? USUAL_VOXEL;
      keptRun = await baseline.take(head.mirror, voxelSize, request.frames);
      return keptRun !== null;
    }
    case "drop run":
      keptRun = null;
      return null;
    case "plans": {
      const voxelSize = head.welcome?.map.voxelSize;
      const taken = baseline.taken ?? keptRun;
      if (taken === null || voxelSize === undefined) return null;
      const plans = plansOf(taken, { blocks: head.mirror.blocks, voxelSize }, request.bands);
      const isWhole = baseline.isWhole(head.mirror);
      return plans && ({ ...plans, frame: taken.frame, isWhole } satisfies TimedPlans);
    }
    case "look": {
      const voxelSize = head.welcome?.map.voxelSize;
      if (voxelSize === undefined) return null;
      const lookup = (key: number): Uint8Array | undefined => head.mirror.blocks.get(key)?.classes;
      return castRay(lookup, voxelSize, request, FARTHEST);
    }
    default:
      return request satisfies never;
  }
}

scope.onmessage = ({ data }) => {
  if (data.kind === "connect") {
    client?.close();
    connect(data.url, data.token);
    return;
  }
  if (data.kind === "bands") {
    bands = data.bands;
    if (surface !== null) surface.bands = bands;
    return;
  }
  if (data.kind === "images") {
    imageRate = data.rate;
    if (client?.isOpen) client.subscribe({ image: imageRate });
    return;
  }
  if (data.kind === "way to") {
    const { to, heading } = data;
    client?.watchWay(to === null ? null : { to: [...to], ...(heading !== null && { heading }) }, WAYS);
    return;
  }
  const { id, request } = data;
  if (client === null) {
    tell({ kind: "refused", id, message: "there is no connection yet" });
    return;
  }
  answer(client, request).then(
    (value) => tell({ kind: "reply", id, value }),
    (error: unknown) =>
      tell({
        kind: "refused",
        id,
        message: error instanceof Error ? error.message : String(error),
        ...(error instanceof RequestError && { code: error.code }),
      }),
  );
};
