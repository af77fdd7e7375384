// Frames between the head and a motor board, defined once: the head's codec (frames.ts), the table in docs/protocol.md
// and the board's header motor-board/brinkmap_layouts.h are made from this table (`npm run lab -- layouts`).

import { WIRE_REPEAT } from "../terms/freshness.ts";
import { CURVATURES, DIRECTIONS, VERDICTS } from "../terms/safety.ts";

export interface Whole {
  readonly type: "u8" | "i8" | "u16" | "i16" | "u32" | "i32";
  readonly means: string;
}
export interface Row extends Whole {
  readonly count: number;
}
/** ASCII, filled up with zero bytes. */
export interface Text {
  readonly type: "text";
  readonly size: number;
  readonly means: string;
}
export type Field = Whole | Row | Text;

export interface Layout {
  readonly code: number;
  readonly from: "head" | "board";
  readonly means: string;
  readonly fields: Readonly<Record<string, Field>>;
}

const whole =
  (type: Whole["type"]) =>
  (means: string): Whole => ({ type, means });
const u8 = whole("u8");
const u16 = whole("u16");
const i16 = whole("i16");
const u32 = whole("u32");
const i32 = whole("i32");
const row = (type: Whole["type"], count: number, means: string): Row => ({ type, count, means });

/** Names with their numbers. */
const numbered = (names: readonly string[]): string => names.map((name, n) => `${n} ${name}`).join(", ");

/** Version of the layouts. A receiver refuses frames of another version. */
export const LAYOUT_VERSION = 1;

/** What every frame begins with. */
export const HEADER = {
  layout: u8(`version of the layouts, ${LAYOUT_VERSION}`),
  kind: u8("which of the frames below"),
  flags: u16("bit 0: the head plays a recording or simulates its sensors, do not obey"),
  sequence: u32("counts up by one with each frame of a sender, wraps"),
  sent: u32("the sender's clock when it was sent, microseconds, wraps"),
  age: u32("how old the contents were then, microseconds; 4294967295 for that or older"),
} as const;

/** Flag: the frame is of a recording or a simulation. */
export const IS_PLAYED = 1;
/** In `pace.distance`: that far or farther, millimetres, or nothing limits the pace. */
export const FARTHEST = 65535;
/** In `pace.cause`: nothing limits the pace. */
export const NO_CAUSE = 255;
/** In `battery.charge`: not known. */
export const NO_CHARGE = 255;

const place = "from the base's floor point, mm; x forward, y left";

export const LAYOUTS = {
  pace: {
    code: 1,
    from: "head",
    means: `The paces of the newest reach. Sent with each reach, and again every ${1000 * WIRE_REPEAT} ms with its new age.`,
    fields: {
      state: u8("state of the reach, as in the glance datagram; anything but 0 and 1: stop"),
      cause: u8(`what limits the pace ahead: a code as in \`pace.limit.cause\`; ${NO_CAUSE}: nothing`),
      distance: u16(`until the outline meets it, mm; ${FARTHEST}: that or more, or nothing limits`),
      remaining: u32("validity of the paces from `sent`, microseconds; then stop"),
      forward: u16("pace ahead, mm/s"),
      backward: u16("pace back, mm/s"),
      left: u16("turning on the spot to the left, mrad/s"),
      right: u16("turning on the spot to the right, mrad/s"),
      arcsForward: row(
        "u16",
        CURVATURES.length,
        `paces along arcs of curvature ${CURVATURES.join(", ")} per metre, mm/s`,
      ),
      arcsBackward: row("u16", CURVATURES.length, "the same backwards, mm/s"),
    },
  },
  finding: {
    code: 2,
    from: "head",
    means: "The answer to a question of `floor`.",
    fields: {
      sensor: u8("number of the floor sensor"),
      verdict: u8(numbered(VERDICTS)),
      question: u16("number of the question"),
    },
  },
  drive: {
    code: 3,
    from: "head",
    means: "A command of a client that drives the base. The board obeys it within the pace only.",
    fields: {
      forward: i16("mm/s, negative backwards"),
      turn: i16("mrad/s, positive to the left"),
      holds: u16("milliseconds from `sent` for which it holds; then stop"),
    },
  },
  time: {
    code: 4,
    from: "head",
    means: "The answer to `ask`; `sent` is the fourth stamp (RFC 5905, section 8).",
    fields: {
      asked: u32("`sent` of the question"),
      received: u32("the head's clock when the question arrived, microseconds"),
    },
  },
  wheels: {
    code: 129,
    from: "board",
    means: "Counts of the wheels, accumulated since the start of the board; `age` is that of the counts.",
    fields: {
      counts: row("i32", 4, "in the order of `base.wheels`; unused ones are 0; wrap"),
      steering: i16("angle of a steered wheel on the middle line, mrad, positive to the left; else 0"),
    },
  },
  position: {
    code: 130,
    from: "board",
    means: "Odometry of a board that computes it, accumulated since its start, instead of `wheels`.",
    fields: {
      x: i32("forward at the start, 0.1 mm"),
      y: i32("left at the start, 0.1 mm"),
      yaw: i32("counter-clockwise, not wrapped, 0.1 mrad"),
      forward: i16("speed, mm/s"),
      left: i16("speed, mm/s"),
      turn: i16("turning speed, mrad/s"),
    },
  },
  contact: {
    code: 131,
    from: "board",
    means: "A contact has closed. Sent five times with the same `knock`, because frames may be lost.",
    fields: {
      contact: u8("number of the contact"),
      knock: u8("counts up with each knock, wraps"),
      x: i16(place),
      y: i16(place),
      z: i16("height above the floor, mm"),
    },
  },
  floor: {
    code: 132,
    from: "board",
    means:
      "A floor sensor reports that the floor is missing, or present again. Repeated until `finding` comes.",
    fields: {
      sensor: u8("number of the floor sensor"),
      isMissing: u8("1: the floor is missing; 0: present"),
      question: u16("number of the question; the finding repeats it"),
      x: i16(place),
      y: i16(place),
    },
  },
  battery: {
    code: 133,
    from: "board",
    means: "The battery.",
    fields: {
      voltage: u16("mV"),
      current: i16("10 mA, positive when it discharges"),
      charge: u8(`percent; ${NO_CHARGE}: not known`),
      isCharging: u8("1: it is being charged"),
    },
  },
  state: {
    code: 134,
    from: "board",
    means: "What the board does, and why it stands. Sent at each change and five times a second.",
    fields: {
      stop: u8("why the board itself permits no motion, or none in one direction; see below"),
      isWaived: u8("1: a waiver of the board replaces the pace"),
      forward: i16("commanded speed, mm/s"),
      turn: i16("commanded turning speed, mrad/s"),
      refused: u16("frames refused so far, wraps: old, repeated, of a recording, or of another layout"),
      damaged: u16("damaged frames so far, wraps"),
    },
  },
  waiver: {
    code: 135,
    from: "board",
    means: "The base overrides a stop on its own responsibility. Sent five times with the same `request`.",
    fields: {
      direction: u8(numbered(DIRECTIONS)),
      request: u8("counts up with each waiver, wraps"),
      duration: u16("milliseconds; 0 withdraws it"),
      reason: { type: "text", size: 24, means: "ASCII, filled up with zero bytes" },
    },
  },
  ask: {
    code: 136,
    from: "board",
    means: "Asks for the head's time, and tells what the board knows of it.",
    fields: {
      isKnown: u8("1: the next two are known"),
      offset: u32("the head's clock minus the board's, microseconds, wraps"),
      delay: u32("round trip of the exchange that gave it, microseconds"),
    },
  },
} as const satisfies Readonly<Record<string, Layout>>;

export type FrameKind = keyof typeof LAYOUTS;

type ValueOf<F extends Field> = F extends Text ? string : F extends Row ? readonly number[] : number;
type Contents<K extends FrameKind> = {
  readonly [N in keyof (typeof LAYOUTS)[K]["fields"]]: (typeof LAYOUTS)[K]["fields"][N] extends Field
    ? ValueOf<(typeof LAYOUTS)[K]["fields"][N]>
    : never;
};
/** The contents of a frame in whole units of the layout. */
export type FrameContents<K extends FrameKind = FrameKind> = {
  [One in K]: { readonly kind: One } & Contents<One>;
}[K];

const SIZES = { u8: 1, i8: 1, u16: 2, i16: 2, u32: 4, i32: 4 } as const;

/** Bytes of one item of a field. */
export const itemSize = (field: Field): number => (field.type === "text" ? 1 : SIZES[field.type]);
/** Items of a field. */
export const itemCount = (field: Field): number =>
  field.type === "text" ? field.size : "count" in field ? field.count : 1;

/** Fields in their order, with the byte at which each begins. Fields follow each other without gaps. */
export function offsetsOf(
  fields: Readonly<Record<string, Field>>,
  start: number,
): readonly { readonly name: string; readonly field: Field; readonly at: number }[] {
  let at = start;
  return Object.entries(fields).map(([name, field]) => {
    const entry = { name, field, at };
    at += itemSize(field) * itemCount(field);
    return entry;
  });
}

/** Bytes that fields take. */
export const sizeOf = (fields: Readonly<Record<string, Field>>): number =>
  Object.values(fields).reduce((sum, field) => sum + itemSize(field) * itemCount(field), 0);

export const HEADER_SIZE = sizeOf(HEADER);
export const CHECKSUM_SIZE = 4;
/** The longest frame before stuffing, bytes. */
export const LONGEST_FRAME = Math.max(
  ...Object.values(LAYOUTS).map(({ fields }) => HEADER_SIZE + sizeOf(fields) + CHECKSUM_SIZE),
);
