import { Type } from "@sinclair/typebox";
import { DIRECTIONS } from "../terms/safety.ts";
import { bytes } from "./shapes.ts";

// Parts of messages of both directions.

export const ROLES = ["watcher", "base", "sensor"] as const;
export type Role = (typeof ROLES)[number];
export const RoleShape = Type.Union([Type.Literal("watcher"), Type.Literal("base"), Type.Literal("sensor")]);

/**
 * Rights of a client: watch; drive (obey paces and report the base's state); feed (send sensor data); configure (change the body,
 * the guard and all other settings, and clear the map). None of them includes another.
 */
export const RIGHTS = ["watch", "drive", "feed", "configure"] as const;
export type Right = (typeof RIGHTS)[number];

/** Source of a head's events: sensors, a file, or the simulator. Only a live head may move a robot. */
export const ORIGINS = ["live", "recording", "simulated"] as const;
export type Origin = (typeof ORIGINS)[number];

/** Most bytes of one frame's counts or amplitudes: 1,920 x 1,200 pixels of 16 bits. */
const MOST_IMAGE = 2 * 1920 * 1200;
/** A packed image, or one of 16-bit counts. */
export const imageBytes = (description: string) => bytes(MOST_IMAGE, description);

export const Id = Type.Integer({ minimum: 0, maximum: 2 ** 31 - 1, description: "repeated in the reply" });

/** Ways in which a base can move. */
export const DirectionShape = Type.Union(DIRECTIONS.map((direction) => Type.Literal(direction)));
