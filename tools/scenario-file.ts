import { existsSync } from "node:fs";
import { readFile, stat } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import { ScenarioError } from "../src/simulate/fields.ts";
import { loadScenario, type Scenario } from "../src/simulate/scenario.ts";
import { reading, UsageError } from "./frame/errors.ts";

/** Bytes. Scenario files are small; a larger one is something else. */
const LARGEST_SCENARIO = 16 * 1024 * 1024;

/** The demo's scenario, from here and from dist/tools alike. */
export const STUDIO = ["../datasets/pottery-studio.json", "../../datasets/pottery-studio.json"]
  .map((path) => fileURLToPath(new URL(path, import.meta.url)))
  .find(existsSync)!;

/** @throws {ScenarioError} if the file is too large or holds no JSON, and file errors */
export async function readScenarioJson(path: string): Promise<unknown> {
  const { size } = await stat(path);
  if (size > LARGEST_SCENARIO) {
    throw new ScenarioError(
      `${path}: the file has ${size} bytes; give a scenario of at most ${LARGEST_SCENARIO}`,
    );
  }
  try {
    return JSON.parse(await reading(path, () => readFile(path, "utf8")));
  } catch (error) {
    if (error instanceof SyntaxError) throw new ScenarioError(`${path}: not JSON: ${error.message}`);
    throw error;
  }
}

/** @throws {ScenarioError} naming the file and the field, and file errors */
export async function readScenario(path: string): Promise<Scenario> {
  return parseScenario(path, await readScenarioJson(path));
}

/** @throws {ScenarioError} naming the file and the field */
export function parseScenario(
  path: string,
  json: unknown,
  options?: Parameters<typeof loadScenario>[1],
): Scenario {
  try {
    return loadScenario(json, options);
  } catch (error) {
    if (error instanceof ScenarioError) throw new ScenarioError(`${path}: ${error.message}`);
    throw error;
  }
}

/**
 * Puts a value into a field of parsed JSON, "field.0.field=value".
 * @throws {UsageError} naming what is wrong with it
 */
export function setField(json: unknown, setting: string): void {
  const [, path, text] = /^([\w.-]+)=(.*)$/s.exec(setting) ?? [];
  if (!path || text === undefined) throw new UsageError(`--set "${setting}": give field=value`);
  let value: unknown;
  try {
    value = JSON.parse(text);
  } catch {
    throw new UsageError(`--set "${setting}": "${text}" is not JSON (a text needs quotes)`);
  }
  const names = path.split(".");
  const last = names.pop()!;
  let at = json;
  for (const name of names) at = isOwn(at, name) ? at[name] : undefined;
  if (typeof at !== "object" || at === null || last === "__proto__") {
    throw new UsageError(`--set "${setting}": the scenario has no "${names.join(".")}"`);
  }
  (at as Record<string, unknown>)[last] = value;
}

const isOwn = (value: unknown, name: string): value is Record<string, unknown> =>
  typeof value === "object" && value !== null && Object.hasOwn(value, name);
