import { HeadClient } from "../client/client.ts";
import { unpackCodes, unpackImage } from "../wire/image.ts";
import { Surface } from "./map-surface.ts";
import { type Blocks, plansOf } from "./plan.ts";
import { look } from "./ray-cast.ts";
import { type FromLink, type Request, type SeenPlans, sharedNow, type ToLink } from "./worker-messages.ts";

// The page's worker: connection, map, and the map's surface.

interface WorkerScope {
  onmessage: ((event: { readonly data: ToLink }) => void) | null;
  postMessage(message: FromLink, transfer: readonly ArrayBufferLike[]): void;
}
const scope = globalThis as unknown as WorkerScope;
const tell = (message: FromLink, transfer: readonly ArrayBufferLike[] = []): void =>
  scope.postMessage(message, transfer);

/** The page is told of the map at most this often, milliseconds. */
const SURFACE_EVERY = 100;
/** Another map is waited for so long to be whole, milliseconds; then what there is of it is shown. */
const OTHER_WITHIN = 1500;
/** Farther away nothing is looked for, metres. */
const LOOK_LIMIT = 200;

let client: HeadClient | null = null;
let imageRate = 0;
/** Where a recording stands, and whether its settings are compared with others. */
let frame = 0;
let isCompared = false;
/** The map as it was before settings were changed from here; blocks are never written to, so they need no copy. */
let before: { readonly blocks: Blocks; readonly frame: number } | null = null;

function connect(url: string, token: string | null): void {
  const head = new HeadClient({
    url,
    role: "watcher",
    name: "page",
    ...(token !== null && { token }),
    topics: {
      reach: 30,
      pose: 30,
      pulse: 2,
      notes: 20,
      brinks: 5,
      map: 10,
      playing: 20,
      recording: 2,
      ground: 2,
      trail: 1,
      baseline: 20,
    },
  });
  client = head;
  before = null;
  isCompared = false;
  const lookup = (key: number): Uint8Array | undefined => head.mirror.blocks.get(key)?.classes;
  const surface = new Surface(lookup);
  let isOther = false;
  let otherSince = 0;
  /** Blocks whose surface is to be made: once, when it is told, however often they or those beside them change before. */
  const pending = new Set<number>();
  let isDue = false;
  const tellSurface = (): void => {
    isDue = false;
    const { blocks, isComplete } = head.mirror;
    // Another map is shown when it is whole: a recording that is moved about in would flicker.
    if (isOther && !isComplete && sharedNow() - otherSince < OTHER_WITHIN) return;
    const changed = pending.size;
    surface.change(pending);
    pending.clear();
    const updates = [...surface.take()];
    tell(
      { kind: "surface", updates, blocks: blocks.size, changed, isComplete, isOther },
      updates.map(({ quads }) => quads.buffer),
    );
    isOther = false;
  };
  head.on("open", (welcome) => {
    tell({ kind: "open", welcome });
    head.subscribe({ image: imageRate });
  });
  head.on("image", ({ time, sensor, frame, width, height, unit, depth, reason, amplitude }) => {
    const pixels = width * height;
    const image = {
      ...{ time, sensor, frame, width, height, unit },
      depth: unpackImage(depth, pixels),
      reason: unpackCodes(reason, pixels),
      amplitude: amplitude === null ? null : unpackImage(amplitude, pixels),
    };
    tell({ kind: "image", image });
  });
  head.on("ground", ({ cells, ...rest }) => {
    const unpacked = unpackCodes(cells, rest.width * rest.height);
    tell({ kind: "ground", ground: { ...rest, cells: unpacked } }, [unpacked.buffer]);
  });
  head.on("closed", ({ reason, retry }) => tell({ kind: "closed", reason, retry }));
  head.on("reach", (reach) => tell({ kind: "reach", reach, arrived: sharedNow() }));
  head.on("pose", (pose) => tell({ kind: "pose", pose, arrived: sharedNow() }));
  head.on("pulse", (pulse) => tell({ kind: "pulse", pulse, arrived: sharedNow() }));
  head.on("brinks", (brinks) => tell({ kind: "brinks", brinks }));
  head.on("finding", ({ verdict, footing, alarm, point }) => {
    const place = point.map((v) => v.toFixed(2)).join(", ");
    const claim = `the base's sensor at ${place} m says the floor is ${alarm ? "missing" : "back"}`;
    tell({ kind: "fault", text: `${claim}; the head ${verdict}: ${footing}` });
  });
  head.on("trail", ({ classes, points, codes, keyframes, keyframeCodes }) => {
    // Copies: in a message they may begin at any byte.
    const floats = (bytes: Uint8Array): Float32Array => new Float32Array(bytes.slice().buffer);
    const trail = { classes, codes: codes.slice(), keyframeCodes: keyframeCodes.slice() };
    tell({ kind: "trail", trail: { ...trail, points: floats(points), keyframes: floats(keyframes) } });
  });
  head.on("playing", (playing) => {
    frame = playing.frame;
    tell({ kind: "playing", playing });
  });
  head.on("baseline", (said) => {
    if (isCompared && said.changes.length === 0) before = null;
    isCompared = said.changes.length > 0;
    tell({ kind: "baseline", baseline: said });
  });
  head.on("recording", (recording) => tell({ kind: "recording", recording }));
  head.on("note", (note) => tell({ kind: "note", note }));
  head.on("error", ({ message }) => tell({ kind: "fault", text: message }));
  head.on("map", (keys, mirror) => {
    if (keys === null) {
      surface.clear();
      pending.clear();
      isOther = true;
      otherSince = sharedNow();
    }
    for (const key of keys ?? mirror.blocks.keys()) pending.add(key);
    if (!isDue) setTimeout(tellSurface, SURFACE_EVERY);
    isDue = true;
  });
}

async function answer(head: HeadClient, request: Request): Promise<unknown> {
  switch (request.kind) {
    case "ask":
      return head.ask(request.question);
    case "explain settings":
      return head.explainSettings();
    case "settings":
      if (!isCompared) before = { blocks: new Map(head.mirror.blocks), frame };
      return head.settings(request.change);
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
    case "plans": {
      const voxelSize = head.welcome?.map.voxelSize;
      if (before === null || voxelSize === undefined) return null;
      const plans = plansOf(before.blocks, head.mirror.blocks, voxelSize, request.low, request.high);
      return plans && ({ ...plans, frame: before.frame } satisfies SeenPlans);
    }
    case "look": {
      const voxelSize = head.welcome?.map.voxelSize;
      if (voxelSize === undefined) return null;
      const lookup = (key: number): Uint8Array | undefined => head.mirror.blocks.get(key)?.classes;
      return look(lookup, voxelSize, request.from, request.along, LOOK_LIMIT);
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
  if (data.kind === "images") {
    imageRate = data.rate;
    if (client?.isOpen) client.subscribe({ image: imageRate });
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
      tell({ kind: "refused", id, message: error instanceof Error ? error.message : String(error) }),
  );
};
