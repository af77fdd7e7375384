import { Type } from "@sinclair/typebox";
import { DIRECTIONS } from "../terms/safety.ts";
import { bytes } from "./shapes.ts";

// What messages of both directions are made of.

export const ROLES = ["watcher", "base", "sensor"] as const;
export type Role = (typeof ROLES)[number];
export const RoleShape = Type.Union([Type.Literal("watcher"), Type.Literal("base"), Type.Literal("sensor")]);

/**
 * What a client may do: watch; drive by the head and tell it of the base; feed it with what sensors measure; configure the body,
 * the guard and all other settings, and clear the map. None of them includes another.
 */
export const RIGHTS = ["watch", "drive", "feed", "configure"] as const;
export type Right = (typeof RIGHTS)[number];

/** Where a head's events come from: sensors, a file, or the simulator. Only what a live head says may move a robot. */
export const ORIGINS = ["live", "recording", "simulated"] as const;
export type Origin = (typeof ORIGINS)[number];

/** Bytes that one frame's counts or amplitudes take at most: 1,920 x 1,200 pixels of 16 bits. */
const MOST_IMAGE = 2 * 1920 * 1200;
/** A packed image, or one of 16-bit counts. */
export const imageBytes = (description: string) => bytes(MOST_IMAGE, description);

export const Id = Type.Integer({ minimum: 0, maximum: 2 ** 31 - 1, description: "repeated in the reply" });

/** Ways in which a base can move. */
export const DirectionShape = Type.Union(DIRECTIONS.map((direction) => Type.Literal(direction)));
