/**
 * A connection to a running head: in a browser as it is, in Node 20 with the `ws` package's WebSocket passed as
 * `makeSocket`. It reconnects by itself, keeps a copy of the map up to date, and knows the head's clock.
 *
 * ```ts
 * import { HeadClient } from "brinkmap/client";
 *
 * const head = new HeadClient({ url: "ws://127.0.0.1:4917/live", role: "watcher", topics: { pose: 10 } });
 * head.on("pose", (pose) => console.log(pose));
 * ```
 *
 * @module client
 */
export { END, END_NAMES, FOOTING, FOOTING_NAMES, REACH_STATES, type ReachState } from "../terms/safety.ts";
export { type ClassBlock, keyX, keyY, keyZ, packKey, VOXEL } from "../wire/blocks.ts";
export type { FloorCells, FloorEdge } from "../wire/floor-map.ts";
export { TILE_SIDE, type WireTile } from "../wire/floor-tiles.ts";
export type { Answer, FromClient, FromServer, Question, Role, Topic } from "../wire/messages.ts";
export type { SensorDeclaration } from "../wire/shapes.ts";
export {
  type ClientEvents,
  type ClientOptions,
  HeadClient,
  type MakeSocket,
  RequestError,
  type Socket,
} from "./client.ts";
export { FloorMirror } from "./floor-mirror.ts";
export { MapMirror } from "./mirror.ts";
