/**
 * Sets a canvas's resolution to its size on the screen, and clears it.
 * @returns width and height to draw in, or null while it has no size
 */
export function canvasSized(
  canvas: HTMLCanvasElement,
  context: CanvasRenderingContext2D,
): readonly [wide: number, high: number] | null {
  const [wide, high] = [canvas.clientWidth, canvas.clientHeight];
  if (wide < 10 || high < 10) return null;
  const scale = Math.min(2, globalThis.devicePixelRatio || 1);
  canvas.width = Math.round(wide * scale);
  canvas.height = Math.round(high * scale);
  context.setTransform(scale, 0, 0, scale, 0, 0);
  return [wide, high];
}
