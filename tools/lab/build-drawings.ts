import { mkdir, writeFile } from "node:fs/promises";
import { join } from "node:path";
import { planView } from "../../src/mount/view.ts";
import { LIGHT, NIGHT, type Palette } from "../../src/terms/palette.ts";
import { noneExpected } from "../frame/values.ts";
import { escapeText } from "../output/markup.ts";
import { programOf } from "./program.ts";

// The drawings of docs/build-a-head.md: wiring, side view, grounding. A reader's choice of light or dark is followed.

const DEGREE = Math.PI / 180;
/** The example of docs/build-a-head.md. */
export const EXAMPLE = {
  height: 0.31,
  pitch: 15 * DEGREE,
  below: 28.6 * DEGREE,
  above: 28.6 * DEGREE,
  front: 0.06,
  bodyHeight: 0.42,
  speed: 0.5,
  delay: 0.35,
  deceleration: 0.7,
  margin: 0.05,
  lookout: 2,
  wallRange: 4.5,
};

const colours = (palette: Palette): string =>
  [
    `.paper { fill: ${palette.card} }`,
    `text { fill: ${palette.ink} }`,
    `.soft { fill: ${palette.soft} }`,
    `.part { fill: ${palette.paper}; stroke: ${palette.ink} }`,
    `.wire { fill: none; stroke: ${palette.ink} }`,
    `.power { fill: none; stroke: ${palette.brink} }`,
    `.ground { fill: none; stroke: ${palette.obstacle} }`,
    `.power-mark { fill: ${palette.brink} }`,
    `.ground-mark { fill: ${palette.obstacle} }`,
    `.seen { fill: ${palette.obstacle}; fill-opacity: 0.18; stroke: ${palette.obstacle} }`,
    `.blind { fill: none; stroke: ${palette.brink} }`,
    `.stop { fill: none; stroke: ${palette.good} }`,
    `.body { fill: ${palette.faint}; stroke: ${palette.soft} }`,
    `.dot { fill: ${palette.ink} }`,
  ].join(" ");

function picture(width: number, height: number, title: string, parts: readonly string[]): string {
  const style = `${colours(LIGHT)} @media (prefers-color-scheme: dark) { ${colours(NIGHT)} } .thin { stroke-width: 1.5 } .thick { stroke-width: 4 } .small { font-size: 13px }`;
  return `${[
    `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${width} ${height}" font-family="sans-serif" font-size="15">`,
    `<title>${escapeText(title)}</title>`,
    `<style>${style}</style>`,
    `<rect class="paper" width="100%" height="100%" rx="6"/>`,
    ...parts,
    "</svg>",
  ].join("\n")}\n`;
}

const text = (x: number, y: number, words: string, more = ""): string =>
  `<text x="${x.toFixed(1)}" y="${y.toFixed(1)}" ${more}>${escapeText(words)}</text>`;
const line = (kind: string, ...points: readonly (readonly [number, number])[]): string =>
  `<polyline class="${kind}" points="${points.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" ")}"/>`;
const dot = (x: number, y: number, kind = "dot"): string =>
  `<circle class="${kind}" cx="${x}" cy="${y}" r="5"/>`;

interface Box {
  readonly x: number;
  readonly y: number;
  readonly width: number;
  readonly height: number;
}
/** A part with its name in lines. */
function part({ x, y, width, height }: Box, ...lines: readonly string[]): string {
  const first = y + height / 2 + 5 - 9 * (lines.length - 1);
  return [
    `<rect class="part thin" x="${x}" y="${y}" width="${width}" height="${height}" rx="4"/>`,
    ...lines.map((words, n) =>
      text(x + width / 2, first + 18 * n, words, `text-anchor="middle"${n > 0 ? ' class="small"' : ""}`),
    ),
  ].join("\n");
}

export function wiringDrawing(): string {
  return picture(860, 560, "Wiring of a robot with the head: supply, emergency stop, signals", [
    text(24, 32, "Supply: thick. Signals: thin. Grounds are in the drawing below.", 'class="soft"'),
    part({ x: 24, y: 60, width: 110, height: 64 }, "Battery", "with protection"),
    line("power thick", [134, 92], [160, 92]),
    part({ x: 160, y: 68, width: 90, height: 48 }, "Main fuse", "at the plus"),
    line("power thick", [250, 92], [282, 92]),
    part({ x: 282, y: 68, width: 100, height: 48 }, "Main switch"),
    line("power thick", [382, 92], [420, 92]),
    dot(420, 92, "power-mark"),
    line("power thick", [420, 92], [456, 92]),
    part({ x: 456, y: 60, width: 160, height: 64 }, "Emergency stop", "cuts motor supply"),
    line("power thick", [616, 92], [690, 92], [690, 150]),
    part({ x: 616, y: 150, width: 148, height: 60 }, "Motor driver", "off without enable"),
    line("power thick", [420, 92], [420, 150]),
    part({ x: 365, y: 150, width: 110, height: 48 }, "Fuse", "of the head"),
    line("power thick", [420, 198], [420, 226]),
    part({ x: 345, y: 226, width: 150, height: 56 }, "Regulator", "for the head alone"),
    line("power thick", [345, 254], [262, 254], [262, 306]),
    line("power thick", [420, 282], [420, 306]),
    part(
      { x: 24, y: 306, width: 290, height: 92 },
      "Head's computer",
      "small arm64 or x86-64 board",
      "USB, I2C or SPI",
    ),
    part({ x: 24, y: 456, width: 150, height: 60 }, "Depth camera", "emits infrared"),
    line("wire thin", [99, 456], [99, 398]),
    text(108, 432, "USB", 'class="small"'),
    part({ x: 190, y: 456, width: 150, height: 60 }, "Inertial sensor", "beside the lens"),
    line("wire thin", [265, 456], [265, 398]),
    text(274, 432, "I2C or SPI", 'class="small"'),
    part({ x: 365, y: 306, width: 130, height: 92 }, "Motor board", "microcontroller", "with watchdog"),
    line("wire thin", [314, 364], [365, 364]),
    text(340, 356, "USB", 'class="small" text-anchor="middle"'),
    line("wire thin", [495, 330], [690, 330], [690, 210]),
    text(590, 322, "PWM, enable (pull-down)", 'class="small" text-anchor="middle"'),
    part({ x: 600, y: 420, width: 180, height: 64 }, "Two motors", "with wheel encoders"),
    line("power thick", [764, 180], [810, 180], [810, 452], [780, 452]),
    line("wire thin", [600, 440], [540, 440], [540, 366], [495, 366]),
    text(548, 410, "counts", 'class="small"'),
    part({ x: 365, y: 456, width: 180, height: 60 }, "Bumper, floor sensors", "a broken wire reads as hit"),
    line("wire thin", [430, 456], [430, 398]),
    text(
      24,
      545,
      "The emergency stop cuts the motors' supply by itself: no program, no computer is in its way.",
      'class="soft"',
    ),
  ]);
}

/** Pixels a metre of the side view. */
const SCALE = 330;

export function sideDrawing(): string {
  const { height, pitch, below, above, front, bodyHeight, speed } = EXAMPLE;
  const view = planView(EXAMPLE);
  const [left, ground] = [200, 260];
  const x = (metres: number): number => left + SCALE * metres;
  const y = (metres: number): number => ground - SCALE * metres;
  const reach = 1.75;
  const lens = [x(0), y(height)] as const;
  const at = (angle: number, end = reach): readonly [number, number] => [
    x(end),
    y(height - Math.tan(angle) * end),
  ];
  const near: readonly [number, number] = [x(view.near), ground];
  const upper = at(pitch - above);
  const cm = (metres: number): string => `${(100 * metres).toFixed(0)} cm`;
  const deg = (angle: number): string => `${(angle / DEGREE).toFixed(0)}°`;
  const measure = (kind: string, from: number, to: number, row: number, words: string): string =>
    [
      line(`${kind} thick`, [x(from), row], [x(to), row]),
      line(`${kind} thin`, [x(from), ground], [x(from), row + 6]),
      line(`${kind} thin`, [x(to), ground], [x(to), row + 6]),
      text(x(Math.max(to, view.needed)) + 10, row + 5, words),
    ].join("\n");
  const arc = (radius: number, from: number, to: number): string => {
    const point = (angle: number): string =>
      `${(lens[0] + radius * Math.cos(angle)).toFixed(1)},${(lens[1] + radius * Math.sin(angle)).toFixed(1)}`;
    return `<path class="wire thin" d="M${point(from)} A${radius},${radius} 0 0 1 ${point(to)}"/>`;
  };
  return picture(860, 420, `Side view: lens ${cm(height)} above the floor, ${deg(pitch)} down`, [
    `<polygon class="seen thin" points="${[lens, near, [x(reach), ground], upper].map(([a, b]) => `${a!.toFixed(1)},${b!.toFixed(1)}`).join(" ")}"/>`,
    `<g stroke-dasharray="7 5">${line("wire thin", lens, at(pitch, height / Math.tan(pitch) < reach ? height / Math.tan(pitch) : reach))}</g>`,
    `<g stroke-dasharray="2 4">${line("wire thin", lens, [x(0.62), lens[1]])}</g>`,
    text(x(0.63), lens[1] - 4, "level", 'class="small"'),
    arc(112, 0, pitch),
    text(lens[0] + 120, lens[1] + 22, `pitch ${deg(pitch)}`, 'class="small"'),
    arc(58, pitch - above, pitch + below),
    text(lens[0] + 30, lens[1] - 26, `view ${deg(below + above)}`, 'class="small"'),
    `<rect class="body thin" x="${x(front - 0.46)}" y="${y(bodyHeight)}" width="${(SCALE * 0.46).toFixed(1)}" height="${(SCALE * (bodyHeight - 0.06)).toFixed(1)}" rx="3"/>`,
    ...[-0.36, -0.06].map(
      (wheel) =>
        `<circle class="dot" cx="${x(front + wheel).toFixed(1)}" cy="${y(0.06).toFixed(1)}" r="${(0.06 * SCALE).toFixed(1)}"/>`,
    ),
    line("wire thick", [40, ground], [840, ground]),
    dot(lens[0], Number(lens[1].toFixed(1))),
    line("wire thin", [52, ground], [52, lens[1]], [26, lens[1]]),
    text(12, lens[1] + 40, "h"),
    text(8, lens[1] + 60, cm(height), 'class="small"'),
    text(x(front - 0.44), y(bodyHeight) - 10, `base, ${cm(bodyHeight)} high`),
    measure("blind", front, view.near, ground + 28, `${cm(view.blind)} in front of the base are out of view`),
    measure(
      "stop",
      0,
      view.needed,
      ground + 62,
      `${cm(view.needed)}: at ${speed} m/s an edge must be known there`,
    ),
    text(
      28,
      ground + 108,
      `Nearest floor in view: h / tan(pitch + view / 2) = ${cm(view.near)} ahead of the lens. Needed: ${cm(view.needed)}. This pitch serves.`,
    ),
    text(
      28,
      ground + 132,
      "Blue: in view. Orange: known from memory only. Green: needed to stop.",
      'class="soft small"',
    ),
  ]);
}

export function groundDrawing(): string {
  const star = [180, 190] as const;
  const box = (x: number, y: number, ...lines: readonly string[]): string =>
    part({ x, y, width: 150, height: 46 }, ...lines);
  return picture(860, 400, "Grounds meet at one point; motor current does not pass the computer", [
    text(24, 32, "So: each ground has its own wire to one point"),
    box(24, 60, "Motor driver"),
    box(214, 60, "Head's regulator"),
    box(24, 290, "Frame, chassis"),
    box(214, 290, "Battery, minus"),
    line("ground thick", [99, 106], [99, 150], [star[0] - 10, 190]),
    line("ground thin", [289, 106], [289, 150], [star[0] + 10, 190]),
    line("ground thin", [99, 290], [99, 240], [star[0] - 10, 190]),
    line("ground thick", [289, 290], [289, 240], [star[0] + 10, 190]),
    `<circle class="ground-mark" cx="${star[0] + 0}" cy="${star[1]}" r="11"/>`,
    text(306, 186, "one point,"),
    text(306, 206, "at the battery"),
    text(24, 372, "Thick: motor current, as short as possible.", 'class="soft small"'),
    line("wire thin", [430, 24], [430, 380]),
    text(454, 32, "Not so: motor current through the computer"),
    box(454, 60, "Motor driver"),
    box(664, 60, "Motor board"),
    box(664, 170, "Computer"),
    box(454, 290, "Battery, minus"),
    line("ground thick", [604, 83], [664, 83]),
    line("ground thick", [739, 106], [739, 170]),
    text(748, 143, "USB shield", 'class="small"'),
    line("ground thick", [739, 216], [739, 313], [604, 313]),
    `<g stroke-dasharray="6 6">${line("power thin", [529, 106], [529, 290])}</g>`,
    text(540, 190, "wire is missing", 'class="small"'),
    text(540, 208, "or too thin", 'class="small"'),
    text(454, 372, "The camera drops out when the motors start.", 'class="soft small"'),
  ]);
}

const FOLDER = "docs/pictures";

export const main = programOf({
  name: "build-drawings",
  usage: "[-o <folder>]",
  about: "Draws wiring, side view and grounding for docs/build-a-head.md.",
  options: {
    out: {
      type: "string",
      short: "o",
      value: "<folder>",
      default: FOLDER,
      help: `folder of the drawings (default ${FOLDER})`,
    },
  },
  async run({ values, positionals }) {
    noneExpected(positionals);
    await mkdir(values.out!, { recursive: true });
    const drawings = { wiring: wiringDrawing(), side: sideDrawing(), ground: groundDrawing() };
    for (const [name, svg] of Object.entries(drawings))
      await writeFile(join(values.out!, `build-${name}.svg`), svg);
    console.log(
      `written to ${values.out}: ${Object.keys(drawings)
        .map((name) => `build-${name}.svg`)
        .join(", ")}`,
    );
    return 0;
  },
});
