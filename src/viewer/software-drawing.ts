/** Names of drawing programs that use the processor instead of a graphics card. */
const SOFTWARE = /swiftshader|llvmpipe|softpipe|software|basic render/i;

/** Whether this browser draws in three dimensions with the processor. */
export function drawsInSoftware(): boolean {
  const gl = document.createElement("canvas").getContext("webgl2");
  const about = gl?.getExtension("WEBGL_debug_renderer_info");
  if (!gl || !about) return false;
  const name = String(gl.getParameter(about.UNMASKED_RENDERER_WEBGL));
  gl.getExtension("WEBGL_lose_context")?.loseContext();
  return SOFTWARE.test(name);
}
