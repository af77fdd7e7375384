/**
 * The head itself: depth frames, orientation and the other events of a robot go in; poses, the map, the floor that is safe
 * to drive and the pace go out. It touches no files, sockets, clocks or randomness: the same events and settings give the
 * same outputs.
 *
 * ```ts
 * import { Head, resolveSettings } from "brinkmap";
 *
 * const head = new Head(setup, resolveSettings({ "body.height": 0.4 }));
 * for (const event of events) {
 *   for (const output of head.take(event)) if (output.kind === "reach") console.log(output.pace.forward);
 * }
 * ```
 *
 * Units are SI, times are whole microseconds, poses name the target first (`worldFromBase`), and the base frame has x
 * forward, y to the left and z up.
 *
 * @module brinkmap
 */
export type {
  DepthKind,
  FisheyeOptics,
  Optics,
  PinholeOptics,
  Pose,
  Quat,
  ScanOptics,
  Vec3,
} from "./geometry/optics.ts";
export {
  compose,
  fromRotationVector,
  fromYawPitchRoll,
  IDENTITY,
  interpolate,
  invert,
  OPTICAL_IN_BODY,
  toMatrix,
  toYawPitchRoll,
  transformPoint,
} from "./geometry/rigid.ts";
export type { FootingCell, FootingView } from "./guard/footing.ts";
export type { Pace } from "./guard/guard.ts";
export { Head, type HeadOptions } from "./head/head.ts";
export type {
  FindingOutput,
  FrameOutput,
  FrozenOutput,
  GlanceOutput,
  HeadOutput,
  KnockOutput,
  LayersOutput,
  ReachOutput,
  SkippedOutput,
  TrackOutput,
  TrackState,
  WaiverOutput,
} from "./head/outputs.ts";
export { resolveSettings, SETTINGS, SettingError, type SettingName, type Settings } from "./head/settings.ts";
export type { Brink } from "./map/brink-lines.ts";
export type { FloorColumn, FloorView } from "./map/floor.ts";
export { classOf, type GridView, natsOf, type VoxelClass } from "./map/grid.ts";
export { COLUMN, type LayerRectangle, type LayersView } from "./map/layers.ts";
export type {
  DepthEvent,
  FloorcheckEvent,
  HeadEvent,
  InertialEvent,
  KnockEvent,
  MarkEvent,
  MotionEvent,
  MountEvent,
  OrientationEvent,
  ReferenceEvent,
  SensorSetup,
  Setup,
  ShedEvent,
  WaiverEvent,
} from "./sense/events.ts";
export {
  BEARINGS,
  CURVATURES,
  DIRECTIONS,
  END,
  END_NAMES,
  type EndName,
  FOOTING,
  FOOTING_NAMES,
  type Sight,
  type StreamSight,
  type Verdict,
} from "./terms/safety.ts";
export type { Hold, TrackNote } from "./track/frame.ts";
export { type Command, Follower, type FollowState } from "./way/follower.ts";
export { FIRM_ONLY, type Prices, WayGround } from "./way/ground.ts";
export { Outline } from "./way/outline.ts";
export type { Permit } from "./way/permit.ts";
export type { Piece, Stand } from "./way/pieces.ts";
export type { Way } from "./way/way.ts";
export { type Goal, type WayAnswer, WayFinder } from "./way/way-finder.ts";
export { WayKeeper } from "./way/way-keeper.ts";
export type { WhyNot } from "./way/why-not.ts";
export { whyNotText } from "./way/why-not-text.ts";
