import type { Lens } from "./depth.ts";
import { ImportError } from "./source.ts";
import { readText } from "./text.ts";

const FIELDS = ["fx", "fy", "cx", "cy", "model", "distortion"];

/**
 * Reads a lens from JSON; fields that are left out are missing in the result.
 * @throws {ImportError} naming the field that doesn't fit
 */
export function readLens(path: string): Partial<Lens> {
  const fail = (why: string): never => {
    throw new ImportError(path, null, why);
  };
  let json: unknown;
  try {
    json = JSON.parse(readText(path));
  } catch (error) {
    if (!(error instanceof SyntaxError)) throw error;
    fail(`not JSON: ${error.message}`);
  }
  if (typeof json !== "object" || json === null || Array.isArray(json))
    return fail("should be one JSON object");
  for (const [field, value] of Object.entries(json)) {
    if (!FIELDS.includes(field)) fail(`unknown field "${field}"; a lens has ${FIELDS.join(", ")}`);
    if (field === "model") {
      if (value !== "pinhole" && value !== "fisheye")
        fail(`model is ${JSON.stringify(value)}; pinhole or fisheye`);
    } else if (field === "distortion") {
      if (!(Array.isArray(value) && value.every(Number.isFinite)))
        fail("distortion should be a list of numbers");
    } else if (!Number.isFinite(value)) fail(`${field} is ${JSON.stringify(value)}; a number is needed`);
  }
  return json as Partial<Lens>;
}
