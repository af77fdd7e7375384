import { turn } from "../../geometry/rigid.ts";
import type { Head } from "../../head/head.ts";
import { packCodes, packImage } from "../../wire/image.ts";
import type { Draft } from "../../wire/messages.ts";
import { Trail } from "./trail.ts";

/** Greatest width of sent images, pixels. Of a wider one every n-th pixel is sent, so that each keeps its own reason. */
const WIDEST = 200;
/** Most keyframes that are sent, the newest ones. */
const MOST_KEYFRAMES = 2000;
/** Cells of footing to each side of the base: 5 m with cells of 5 cm. */
const AROUND = 100;

/** Pictures for watchers. The sensor is an index here. */
export type Picture =
  | ({ readonly kind: "image"; readonly sensor: number } & Omit<Draft<"image">, "kind" | "sensor">)
  | Draft<"ground">
  | Draft<"trail">;

const TOPICS = ["image", "ground", "trail"] as const;
/** Microseconds between two pictures of each kind; 0 is never. */
export type PicturesWanted = Readonly<Record<(typeof TOPICS)[number], number>>;
const NEVER = { image: 0, ground: 0, trail: 0 };

/** A frame that the head has processed. */
export interface Viewed {
  readonly sensor: number;
  readonly time: number;
  readonly sequence: number;
  /** Read before the next frame is taken. */
  readonly amplitude: Uint16Array | null;
}

/**
 * Pictures for watchers: the depth image with the reasons of unused pixels, the footing around the base, and the trail. They are made only
 * while a client wants them, at the highest rate that a client wants, and after all messages to the base.
 */
export class Pictures {
  readonly #head: Head;
  readonly #say: (picture: Picture) => void;
  readonly trail = new Trail();
  #toldTrail = -1;
  #wanted: PicturesWanted = NEVER;
  #next: Record<keyof PicturesWanted, number> = { ...NEVER };
  #newest: Viewed | null = null;

  constructor(head: Head, say: (picture: Picture) => void) {
    this.#head = head;
    this.#say = say;
  }

  want(wanted: PicturesWanted, now: number): void {
    this.#wanted = wanted;
    this.again(now);
  }

  /** Takes a processed frame. */
  take(viewed: Viewed, now: number): void {
    this.#newest = viewed;
    this.look(now);
  }

  /** Sends the pictures of the newest frame that are due. */
  look(now: number): void {
    if (this.#newest === null) return;
    for (const what of TOPICS) {
      const every = this.#wanted[what];
      if (every === 0 || now < this.#next[what]) continue;
      this.#next[what] = now + every;
      const picture =
        what === "image"
          ? this.#image(this.#newest)
          : what === "ground"
            ? this.#ground(this.#newest.time)
            : this.#way(this.#newest.time);
      if (picture !== null) this.#say(picture);
    }
  }

  /** Sends the pictures of the newest frame again, due or not. */
  again(now: number): void {
    this.#next = { ...NEVER };
    this.#toldTrail = -1;
    this.look(now);
  }

  #image({ sensor, time, sequence, amplitude }: Viewed): Picture | null {
    const masked = this.#head.maskedOf(sensor);
    const optics = this.#head.setup.sensors[sensor]?.optics;
    if (masked === null || optics === undefined || optics.height < 2) return null;
    const by = Math.ceil(optics.width / WIDEST);
    const [width, height] = [Math.floor(optics.width / by), Math.floor(optics.height / by)];
    const depth = new Uint16Array(width * height);
    const reason = new Uint8Array(width * height);
    const signal = amplitude === null ? null : new Uint16Array(width * height);
    for (let v = 0, n = 0; v < height; v++) {
      for (let u = 0, from = v * by * optics.width; u < width; u++, n++, from += by) {
        depth[n] = masked.depth[from]!;
        reason[n] = masked.reason[from]!;
        if (signal !== null) signal[n] = amplitude![from]!;
      }
    }
    return {
      kind: "image",
      sensor,
      time,
      frame: sequence,
      width,
      height,
      unit: 1 / masked.unitsPerMetre,
      depth: packImage(depth),
      reason: packCodes(reason),
      amplitude: signal === null ? null : packImage(signal),
    };
  }

  #ground(time: number): Picture | null {
    const base = this.#head.place;
    if (base === null) return null;
    const { footing } = this.#head;
    const side = 2 * AROUND;
    const col = Math.floor(base.worldFromBase.position[0] / footing.cellSize) - AROUND;
    const row = Math.floor(base.worldFromBase.position[1] / footing.cellSize) - AROUND;
    const cells = new Uint8Array(side * side);
    for (let j = 0, n = 0; j < side; j++) {
      for (let i = 0; i < side; i++) cells[n++] = footing.at(col + i, row + j);
    }
    return {
      kind: "ground",
      time,
      col,
      row,
      width: side,
      height: side,
      cell: footing.cellSize,
      floor: base.floorHeight,
      cells: packCodes(cells),
    };
  }

  /** The trail; null while it has not changed. */
  #way(time: number): Picture | null {
    const { stops, version } = this.trail;
    if (version === this.#toldTrail) return null;
    this.#toldTrail = version;
    const classes: string[] = [];
    const codeOf = (kind: string): number => {
      if (!classes.includes(kind)) classes.push(kind);
      return classes.indexOf(kind);
    };
    const points = new DataView(new ArrayBuffer(12 * stops.length));
    const codes = new Uint8Array(stops.length);
    for (const [n, { position, class: kind }] of stops.entries()) {
      for (let k = 0; k < 3; k++) points.setFloat32(12 * n + 4 * k, position[k]!, true);
      codes[n] = codeOf(kind);
    }
    const frames = this.#head.revisits?.store.frames.slice(-MOST_KEYFRAMES) ?? [];
    const keyframes = new DataView(new ArrayBuffer(12 * frames.length));
    const keyframeCodes = new Uint8Array(frames.length);
    for (const [n, { time: then, worldFromLens }] of frames.entries()) {
      const [x, y] = worldFromLens.position;
      const ahead = turn(worldFromLens.rotation, [0, 0, 1]);
      keyframes.setFloat32(12 * n, x, true);
      keyframes.setFloat32(12 * n + 4, y, true);
      keyframes.setFloat32(12 * n + 8, Math.atan2(ahead[1], ahead[0]), true);
      keyframeCodes[n] = codeOf(this.trail.at(then)?.class ?? "held");
    }
    return {
      kind: "trail",
      time,
      classes,
      codes,
      keyframeCodes,
      points: new Uint8Array(points.buffer),
      keyframes: new Uint8Array(keyframes.buffer),
    };
  }
}
