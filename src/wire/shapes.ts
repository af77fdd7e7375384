import { type Static, type TProperties, type TSchema, Type } from "@sinclair/typebox";

/** Makes a type read-only throughout. */
export type Frozen<T> = T extends Uint8Array
  ? T
  : T extends object
    ? { readonly [K in keyof T]: Frozen<T[K]> }
    : T;

// Building blocks of messages and of the settings file. Numbers are finite wherever they occur.

const LONGEST = 1e5; // metres; larger values are a mistake, and would lose precision

export const Metres = Type.Number({ minimum: -LONGEST, maximum: LONGEST });
export const Pair = Type.Tuple([Metres, Metres]);
export const Triple = Type.Tuple([Metres, Metres, Metres]);
/** Unit quaternion x, y, z, w; its length is checked where it is used. */
export const Rotation = Type.Tuple([
  Type.Number({ minimum: -1.1, maximum: 1.1 }),
  Type.Number({ minimum: -1.1, maximum: 1.1 }),
  Type.Number({ minimum: -1.1, maximum: 1.1 }),
  Type.Number({ minimum: -1.1, maximum: 1.1 }),
]);
/** Microseconds of the head's clock. */
export const Time = Type.Integer({
  minimum: 0,
  maximum: Number.MAX_SAFE_INTEGER,
  description: "microseconds of the head's monotonic clock",
});
export const Age = Type.Integer({
  minimum: 0,
  maximum: Number.MAX_SAFE_INTEGER,
  description: "microseconds from the capture of the evidence to the sending of this message",
});
export const Count = Type.Integer({ minimum: 0, maximum: Number.MAX_SAFE_INTEGER });
export const Name = Type.String({ minLength: 1, maxLength: 64, pattern: "^[A-Za-z0-9][A-Za-z0-9 ._-]*$" });

/** An object in which a misspelt field is an error. */
export const exact = <T extends TProperties>(fields: T, description?: string) =>
  Type.Object(fields, { additionalProperties: false, ...(description && { description }) });

export const PoseShape = exact(
  { rotation: Rotation, position: Triple },
  "rigid transform: target = rotation * source + position; rotation x, y, z, w, position in metres",
);

const side = (maximum: number) => Type.Integer({ minimum: 1, maximum });
const counts = {
  unit: Type.Number({ minimum: 1e-6, maximum: 1, description: "metres per count" }),
  minRange: Type.Number({ minimum: 0, maximum: 1000, description: "metres" }),
  maxRange: Type.Number({ minimum: 0.01, maximum: 1000, description: "metres" }),
};
const measures = Type.Union([Type.Literal("z"), Type.Literal("range")], {
  description: "what a count measures: along the optical axis, or along the pixel's own ray",
});
const coefficient = Type.Number({ minimum: -100, maximum: 100 });
const lens = {
  width: side(4096),
  height: side(4096),
  fx: Type.Number({ minimum: 1e-3, maximum: 1e7, description: "focal length in pixels" }),
  fy: Type.Number({ minimum: 1e-3, maximum: 1e7 }),
  cx: Type.Number({ minimum: -1e5, maximum: 1e5, description: "the top left pixel's centre is (0, 0)" }),
  cy: Type.Number({ minimum: -1e5, maximum: 1e5 }),
  measures,
  ...counts,
};

export const OpticsShape = Type.Union([
  exact({
    model: Type.Literal("pinhole"),
    ...lens,
    distortion: Type.Optional(
      Type.Tuple([coefficient, coefficient, coefficient, coefficient, coefficient], {
        description: "Brown-Conrady k1, k2, p1, p2, k3",
      }),
    ),
  }),
  exact({
    model: Type.Literal("fisheye"),
    ...lens,
    distortion: Type.Tuple([coefficient, coefficient, coefficient, coefficient], {
      description: "Kannala-Brandt k1 to k4",
    }),
  }),
  exact({
    model: Type.Literal("scan"),
    width: side(16384),
    height: Type.Literal(1),
    firstAngle: Type.Number({ minimum: -7, maximum: 7, description: "radians" }),
    step: Type.Number({ minimum: -2, maximum: 2, description: "radians between beams" }),
    measures: Type.Literal("range"),
    ...counts,
  }),
]);

export const SensorShape = exact(
  {
    name: Name,
    optics: OpticsShape,
    mount: exact({
      on: Type.Union([Type.Literal("head"), Type.Literal("base")]),
      pose: PoseShape,
    }),
  },
  "a range sensor; mount.pose is headFromLens or baseFromLens, lens: x right, y down, z forward",
);
export type SensorDeclaration = Frozen<Static<typeof SensorShape>>;

export const SetupShape = exact({
  sensors: Type.Array(SensorShape, { maxItems: 16 }),
  baseFromHead: PoseShape,
  headFromImu: PoseShape,
});

/** Bytes: binary in MessagePack, base64 text in JSON. */
export const bytes = (maxByteLength: number, description: string) =>
  Type.Uint8Array({ maxByteLength, description });

export const nullable = <T extends TSchema>(schema: T) => Type.Union([schema, Type.Null()]);
