import { CanvasTexture, Group, Sprite, SpriteMaterial, SRGBColorSpace } from "three";
import { FIELD_OF_VIEW } from "./map-camera.ts";
import type { Theme } from "./theme.ts";

/** Pixels of the page: height of a tag. */
const HEIGHT = 16;
/** Pixels of its drawing for each pixel of the page. */
const SHARPNESS = 3;

/** A short text that stands at a place of the world. */
export interface Tag {
  readonly text: string;
  /** Metres. */
  readonly at: readonly [x: number, y: number, z: number];
}

/** Short texts on paper, each beside its place, of one size on the page wherever they stand. */
export class TagSprites {
  readonly object = new Group();
  readonly #ink: keyof Theme;
  #tags: readonly Tag[] = [];
  #theme: Theme | null = null;
  #canvasHeight = HEIGHT;

  /** @param ink of the text and its frame */
  constructor(ink: keyof Theme) {
    this.#ink = ink;
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.#makeAnew();
  }

  /** @param height of the canvas, pixels of the page */
  resize(height: number): void {
    this.#canvasHeight = Math.max(HEIGHT, height);
    for (const sprite of this.object.children) this.#size(sprite as Sprite);
  }

  show(tags: readonly Tag[]): void {
    const isSame =
      tags.length === this.#tags.length && tags.every(({ text }, n) => text === this.#tags[n]!.text);
    this.#tags = tags;
    // Textures are dear; places change more often than texts.
    if (isSame) tags.forEach(({ at }, n) => void this.object.children[n]?.position.set(...at));
    else this.#makeAnew();
  }

  #makeAnew(): void {
    for (const child of this.object.children) {
      const { material } = child as Sprite;
      material.map?.dispose();
      material.dispose();
    }
    this.object.clear();
    const theme = this.#theme;
    if (theme === null) return;
    for (const { text, at } of this.#tags) {
      const map = new CanvasTexture(drawTag(text, theme.paper, theme[this.#ink]));
      map.colorSpace = SRGBColorSpace;
      const material = new SpriteMaterial({
        map,
        depthTest: false,
        sizeAttenuation: false,
        toneMapped: false,
      });
      const sprite = new Sprite(material);
      sprite.position.set(...at);
      sprite.center.set(-0.15, -0.15); // beside the place, not on it
      sprite.renderOrder = 5;
      this.#size(sprite);
      this.object.add(sprite);
    }
  }

  #size(sprite: Sprite): void {
    const { width, height } = sprite.material.map!.image as HTMLCanvasElement;
    const share = (2 * Math.tan((FIELD_OF_VIEW * Math.PI) / 360) * HEIGHT) / this.#canvasHeight;
    sprite.scale.set((share * width) / height, share, 1);
  }
}

function drawTag(text: string, paper: string, ink: string): HTMLCanvasElement {
  const canvas = document.createElement("canvas");
  const context = canvas.getContext("2d")!;
  const font = `600 ${0.72 * SHARPNESS * HEIGHT}px system-ui, sans-serif`;
  context.font = font;
  canvas.width = Math.ceil(context.measureText(text).width + 0.6 * SHARPNESS * HEIGHT);
  canvas.height = SHARPNESS * HEIGHT;
  // A new size resets the context.
  context.font = font;
  context.fillStyle = paper;
  context.fillRect(0, 0, canvas.width, canvas.height);
  context.strokeStyle = ink;
  context.lineWidth = SHARPNESS;
  context.strokeRect(SHARPNESS / 2, SHARPNESS / 2, canvas.width - SHARPNESS, canvas.height - SHARPNESS);
  context.fillStyle = ink;
  context.textAlign = "center";
  context.textBaseline = "middle";
  context.fillText(text, canvas.width / 2, canvas.height / 2 + SHARPNESS);
  return canvas;
}
