import { crc32c } from "../coding/crc32c.ts";
import { DecodeError } from "../coding/decode-error.ts";
import { END, REACH_STATES, type ReachState, SECTORS } from "../terms/safety.ts";
import type { Draft } from "./messages.ts";

// The glance datagram: what a motor board needs of one reach, in 56 bytes of a fixed layout, little-endian.
//
//  0  u8[4]  42 52 4b 52, "BRKR"
//  4  u8     layout version, 2
//  5  u8     state: 0 clear, 1 dark, 2 covered, 3 late, 4 blind, 5 lost, 6 frozen, 7 waiting, 8 unconfigured; anything but 0 and 1: stop
//  6  u16    flags: bit 0 set when the paces are known; while it is not, they are 0
//            bit 1 set when the head plays a recording or simulates its sensors: a receiver with motors must refuse it
//  8  u32    sequence number, counts up by one, wraps
// 12  u32    age of the evidence when this was sent, microseconds; 4294967295 for that or older
// 16  u32    validity of the paces from the time of sending, microseconds; then stop
// 20  u16[8] reach of eight sectors of 45 degrees, millimetres; sector 0 is centred ahead, then counter-clockwise
// 36  u8[8]  what ends it in that sector: codes as in the reach message
// 44  u16    pace ahead, mm/s      46  u16  pace back, mm/s
// 48  u8     what limits the pace ahead: a code as in the reach message, 255 for nothing
// 49  u8     0
// 50  u16    millimetres until the outline meets it; 65535 for that or more, and where nothing limits
// 52  u32    CRC-32C of the 52 bytes before

export const GLANCE_SIZE = 56;
const CHECKED = GLANCE_SIZE - 4;
const MAGIC = Uint8Array.of(0x42, 0x52, 0x4b, 0x52);
const VERSION = 2;
/** Nothing limits the pace. */
const UNLIMITED = 255;
/** Flags. */
const IS_PACED = 1;
const IS_NOT_LIVE = 2;
const MOST_U16 = 65535;
const MOST_U32 = 4294967295;

export interface Glance {
  readonly state: ReachState;
  /** Whether it comes from a live head; only then may it move anything. */
  readonly isLive: boolean;
  /** Of the datagram. */
  readonly number: number;
  /** Microseconds at the time of sending: age of the evidence, and validity of the paces. */
  readonly age: number;
  readonly remaining: number;
  /** (8) millimetres; sector 0 is centred ahead, then counter-clockwise. */
  readonly distanceMm: readonly number[];
  /** (8) codes as in the reach message. */
  readonly what: readonly number[];
  /** m/s; null while it is not known. */
  readonly pace: { readonly forward: number; readonly backward: number } | null;
  /** What limits the pace ahead, a code as in the reach message, and millimetres until the outline meets it; null: nothing. */
  readonly limit: { readonly cause: number; readonly distanceMm: number } | null;
}

/**
 * The nearest of each sector's bearings; a sector without a bearing is unseen at 0 m.
 * @param now the head's clock, microseconds
 */
export function glanceOf(
  reach: Draft<"reach">,
  { number, now, isLive }: Pick<Glance, "number" | "isLive"> & { readonly now: number },
): Glance {
  const distanceMm = new Array<number>(SECTORS).fill(Number.POSITIVE_INFINITY);
  const what = new Array<number>(SECTORS).fill(END.unseen);
  reach.distanceMm.forEach((distance, i) => {
    const turns = (reach.first + i * reach.step) / (2 * Math.PI);
    const sector = ((Math.round(turns * SECTORS) % SECTORS) + SECTORS) % SECTORS;
    if (distance >= distanceMm[sector]!) return;
    distanceMm[sector] = distance;
    what[sector] = reach.what[i]!;
  });
  for (let s = 0; s < SECTORS; s++) if (distanceMm[s] === Number.POSITIVE_INFINITY) distanceMm[s] = 0;
  const limit = reach.pace?.limit ?? null;
  return {
    state: reach.state,
    isLive,
    number,
    age: Math.max(0, now - reach.time),
    remaining: Math.max(0, reach.until - now),
    distanceMm,
    what,
    pace: reach.pace,
    limit: limit === null ? null : { cause: limit.cause, distanceMm: limit.distanceMm },
  };
}

/** @returns 56 bytes of their own */
export function encodeGlance(glance: Glance): Uint8Array {
  const out = new Uint8Array(GLANCE_SIZE);
  const view = new DataView(out.buffer);
  const whole = (value: number, most: number): number => Math.max(0, Math.min(most, Math.floor(value)));
  out.set(MAGIC);
  out[4] = VERSION;
  out[5] = REACH_STATES.indexOf(glance.state);
  view.setUint16(6, (glance.pace === null ? 0 : IS_PACED) | (glance.isLive ? 0 : IS_NOT_LIVE), true);
  view.setUint32(8, glance.number >>> 0, true);
  view.setUint32(12, whole(glance.age, MOST_U32), true);
  view.setUint32(16, whole(glance.remaining, MOST_U32), true);
  for (let s = 0; s < SECTORS; s++) {
    view.setUint16(20 + 2 * s, whole(glance.distanceMm[s]!, MOST_U16), true);
    out[36 + s] = glance.what[s]!;
  }
  view.setUint16(44, whole((glance.pace?.forward ?? 0) * 1000, MOST_U16), true);
  view.setUint16(46, whole((glance.pace?.backward ?? 0) * 1000, MOST_U16), true);
  out[48] = glance.limit?.cause ?? UNLIMITED;
  view.setUint16(50, whole(glance.limit?.distanceMm ?? MOST_U16, MOST_U16), true);
  view.setUint32(CHECKED, crc32c(out, 0, CHECKED), true);
  return out;
}

/** @throws {DecodeError} when the bytes are not a valid glance datagram */
export function decodeGlance(bytes: Uint8Array): Glance {
  if (bytes.length !== GLANCE_SIZE) {
    throw new DecodeError(`a glance datagram has ${GLANCE_SIZE} bytes, this has ${bytes.length}`, 0);
  }
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  if (!MAGIC.every((byte, i) => bytes[i] === byte)) throw new DecodeError("no glance datagram", 0);
  if (view.getUint32(CHECKED, true) !== crc32c(bytes, 0, CHECKED)) {
    throw new DecodeError("checksum does not match", CHECKED);
  }
  if (bytes[4] !== VERSION) throw new DecodeError(`layout version ${bytes[4]}, known is ${VERSION}`, 4);
  const state = REACH_STATES[bytes[5]!];
  if (state === undefined) throw new DecodeError(`state ${bytes[5]} is not known`, 5);
  const sectors = Array.from({ length: SECTORS }, (_, s) => s);
  const flags = view.getUint16(6, true);
  const isPaced = (flags & IS_PACED) !== 0;
  return {
    state,
    isLive: (flags & IS_NOT_LIVE) === 0,
    number: view.getUint32(8, true),
    age: view.getUint32(12, true),
    remaining: view.getUint32(16, true),
    distanceMm: sectors.map((s) => view.getUint16(20 + 2 * s, true)),
    what: sectors.map((s) => bytes[36 + s]!),
    pace: isPaced
      ? { forward: view.getUint16(44, true) / 1000, backward: view.getUint16(46, true) / 1000 }
      : null,
    limit: bytes[48] === UNLIMITED ? null : { cause: bytes[48]!, distanceMm: view.getUint16(50, true) },
  };
}
