import { existsSync } from "node:fs";
import { readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import { fileURLToPath } from "node:url";
import { encode } from "fast-png";

/** The family name inside `fonts/DejaVuSans.ttf`, which pictures are lettered with (notice: fonts/LICENSE-DejaVuSans.txt). */
export const FONT_FAMILY = "DejaVu Sans";

/** The font's place, seen from the source and from dist/ alike. */
function fontPath(): string {
  const paths = ["../../../fonts", "../../../../fonts"].map((folder) =>
    fileURLToPath(new URL(`${folder}/DejaVuSans.ttf`, import.meta.url)),
  );
  const path = paths.find(existsSync);
  if (path === undefined) throw new Error(`the font of the pictures is missing: ${paths.join(", ")}`);
  return path;
}

type Renderer = (svg: string) => Uint8Array;
let renderer: Promise<Renderer> | undefined;

async function loadRenderer(): Promise<Renderer> {
  const { initWasm, Resvg } = await import("@resvg/resvg-wasm");
  // In the board's package the code lies beside this module; elsewhere in the package of the renderer.
  const beside = fileURLToPath(new URL("resvg.wasm", import.meta.url));
  const code = existsSync(beside)
    ? beside
    : createRequire(import.meta.url).resolve("@resvg/resvg-wasm/index_bg.wasm");
  const [font, program] = await Promise.all([readFile(fontPath()), readFile(code)]);
  await initWasm(program);
  return (svg) => {
    const drawing = new Resvg(svg, {
      font: { fontBuffers: [font], defaultFontFamily: FONT_FAMILY, sansSerifFamily: FONT_FAMILY },
    });
    const image = drawing.render();
    const { width, height, pixels } = image;
    const png = encodeOpaque(pixels, width, height);
    // WebAssembly memory is not garbage collected.
    image.free();
    drawing.free();
    return png;
  };
}

/** RGBA pixels as PNG without their alpha: half the size of what the renderer itself writes. */
function encodeOpaque(rgba: Uint8Array, width: number, height: number): Uint8Array {
  const rgb = new Uint8Array(3 * width * height);
  for (let n = 0; n < width * height; n++) {
    for (let k = 0; k < 3; k++) rgb[3 * n + k] = rgba[4 * n + k]!;
  }
  return encode({ width, height, data: rgb, depth: 8, channels: 3 }, { zlib: { level: 9 } });
}

/**
 * Renders an SVG as PNG, a unit of the SVG as a pixel. The renderer is WebAssembly, so every machine makes the same pixels.
 * It is loaded on first use, which takes some 0.1 s.
 * @param svg fills its own ground: alpha is dropped
 * @throws {Error} if `svg` is not well-formed
 */
export async function svgToPng(svg: string): Promise<Uint8Array> {
  renderer ??= loadRenderer();
  return (await renderer)(svg);
}
