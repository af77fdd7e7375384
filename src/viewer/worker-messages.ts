import type { FloorCells, FloorEdge } from "../wire/floor-map.ts";
import type { FromClient, FromServer, Question } from "../wire/messages.ts";
import type { ColumnUpdate } from "./column-map.ts";
import type { Bands, Plans } from "./map-plans.ts";
import type { ChunkUpdate } from "./map-surface.ts";
import type { Rim } from "./rims.ts";

// Messages between the page and its worker. The worker holds the connection and the map, so that a large change of the map
// never blocks the page.

/** Milliseconds since 1970 by a clock that page and worker share. */
export const sharedNow = (): number => performance.timeOrigin + performance.now();

export type Request =
  | { readonly kind: "ask"; readonly question: Question }
  /** Settings, with the help text of each. */
  | { readonly kind: "explain settings" }
  /** All settings, after those in `change` were changed. */
  | {
      readonly kind: "settings";
      readonly change?: Readonly<Record<string, number | string>>;
      /** Confirms a change that the head has refused without confirmation. */
      readonly confirm?: boolean;
    }
  | { readonly kind: "mark"; readonly text: string }
  /** Keeps the last minutes and the next ones as a recording. */
  | { readonly kind: "keep"; readonly text: string }
  | { readonly kind: "map"; readonly action: FromClient<"map">["action"] }
  | { readonly kind: "play"; readonly wish: Omit<FromClient<"play">, "kind" | "id"> }
  | { readonly kind: "open"; readonly name: string }
  /** Runs the recording to its last frame and keeps its map, to compare another recording with it. Whether the map has arrived. */
  | { readonly kind: "keep run"; readonly frames: number }
  | { readonly kind: "drop run" }
  /** The maps with the baseline's settings, or of the kept recording, and the present one, from above: `TimedPlans`, or null without a baseline. */
  | { readonly kind: "plans"; readonly bands: Bands }
  /** The first occupied voxel along a ray, world metres. */
  | ({ readonly kind: "look" } & Ray);

/** Where a ray starts, world metres, and a unit vector. */
export interface Ray {
  readonly from: readonly number[];
  readonly along: readonly number[];
}

/** Asks the head, or the worker about the map. */
export type Ask = <T>(request: Request) => Promise<T>;

/**
 * @property frame   number of the frame of the baseline's map
 * @property isWhole whether the map with the present settings is the whole map of the shown frame
 */
export type TimedPlans = Plans & { readonly frame: number; readonly isWhole: boolean };

export type ToWorker =
  /** Depth images wanted per second; 0: none. */
  | { readonly kind: "images"; readonly rate: number }
  /** Heights between which things stand in the robot's way, for the map from above. */
  | { readonly kind: "bands"; readonly bands: Bands }
  /** The goal to which ways are wanted; null: none. */
  | {
      readonly kind: "way to";
      readonly to: readonly [number, number] | null;
      readonly heading: number | null;
    }
  | { readonly kind: "connect"; readonly url: string; readonly token: string | null }
  | { readonly kind: "request"; readonly id: number; readonly request: Request };

/** A depth image, unpacked. */
export interface UnpackedImage {
  readonly time: number;
  readonly sensor: string;
  readonly frame: number;
  readonly width: number;
  readonly height: number;
  /** Metres per count of depth. */
  readonly unit: number;
  readonly depth: Uint16Array;
  readonly reason: Uint8Array;
  readonly amplitude: Uint16Array | null;
}

/** The floor of the whole map, its borders to floor that is gone, and the height of the floor under the base, metres. */
export type Ground = FloorCells & {
  readonly floor: number;
  readonly rims: readonly Rim[];
};

/** The path so far, and keyframes; codes are indices into `classes`. */
export interface Trail {
  readonly classes: readonly string[];
  /** x, y, z of each. */
  readonly points: Float32Array;
  readonly codes: Uint8Array;
  /** x, y, bearing of each. */
  readonly keyframes: Float32Array;
  readonly keyframeCodes: Uint8Array;
}

/** The point at which a ray hits a voxel, world metres. */
export interface Sighting {
  readonly point: readonly [number, number, number];
  readonly distance: number;
}

/** `arrived` is the `sharedNow` of the message's arrival, from which its age counts up. */
export type FromWorker =
  | { readonly kind: "way"; readonly way: FromServer<"way"> }
  | { readonly kind: "open"; readonly welcome: FromServer<"welcome"> }
  | { readonly kind: "closed"; readonly reason: string; readonly retry: number | null }
  | { readonly kind: "reach"; readonly reach: FromServer<"reach">; readonly arrived: number }
  | { readonly kind: "pose"; readonly pose: FromServer<"pose">; readonly arrived: number }
  | { readonly kind: "pulse"; readonly pulse: FromServer<"pulse">; readonly arrived: number }
  | { readonly kind: "brinks"; readonly brinks: FromServer<"brinks"> }
  | { readonly kind: "image"; readonly image: UnpackedImage }
  | { readonly kind: "floor"; readonly ground: Ground | null; readonly edges: readonly FloorEdge[] }
  | { readonly kind: "trail"; readonly trail: Trail }
  | { readonly kind: "playing"; readonly playing: FromServer<"playing"> }
  | { readonly kind: "baseline"; readonly baseline: FromServer<"baseline"> }
  /** Whether a change of settings waits until the map with the baseline's settings is complete. */
  | { readonly kind: "baseline map"; readonly isAwaited: boolean }
  | { readonly kind: "recording"; readonly recording: FromServer<"recording"> }
  | { readonly kind: "note"; readonly note: FromServer<"note"> }
  | { readonly kind: "fault"; readonly text: string }
  | {
      readonly kind: "surface";
      readonly updates: readonly ChunkUpdate[];
      readonly columns: ColumnUpdate;
      /** Number of blocks of the map, and of changed ones. */
      readonly blocks: number;
      readonly changed: number;
      readonly isComplete: boolean;
      readonly isOther: boolean;
    }
  | { readonly kind: "reply"; readonly id: number; readonly value: unknown }
  | { readonly kind: "refused"; readonly id: number; readonly message: string; readonly code?: string };
