import { existsSync } from "node:fs";
import { chmod, chown, copyFile, readFile, rename, rm, stat, writeFile } from "node:fs/promises";
import { basename, dirname, join } from "node:path";
import { ConfigError, resolveConfig } from "../../src/service/config.ts";
import type { ConfigFile } from "../../src/service/config-file.ts";
import { reading, writing } from "../frame/errors.ts";
import type { DraftConfig } from "./session.ts";

type Checked = NonNullable<ConfigFile["checked"]>;

/** The settings file as it is; an empty one where there is none. @throws {ConfigError} when it is not valid */
export async function readDraft(path: string): Promise<DraftConfig> {
  if (!existsSync(path)) return {};
  try {
    const given: unknown = JSON.parse(await reading(path, () => readFile(path, "utf8")));
    resolveConfig(given);
    return given as DraftConfig;
  } catch (error) {
    if (error instanceof SyntaxError) {
      throw new ConfigError(`${path} is not JSON: ${error.message}. Repair it, or move it away`);
    }
    if (error instanceof ConfigError) throw new ConfigError(`${path}: ${error.message}`);
    throw error;
  }
}

/**
 * Writes the settings file with its report. The file as it was before is kept beside it.
 * @returns the path of that copy; null where there was no file
 * @throws {ConfigError} when the draft is not valid; then nothing is written
 */
export async function writeSettings(
  path: string,
  config: DraftConfig,
  { at, steps }: Omit<Checked, "before">,
): Promise<string | null> {
  const before = existsSync(path) ? freeName(`${path}.before-${at.replaceAll(/[-:]|\.\d+/g, "")}`) : null;
  const checked: Checked = { at, before: before === null ? null : basename(before), steps };
  const whole = { ...config, checked };
  resolveConfig(whole);
  await writing(path, async () => {
    if (before !== null) await copyFile(path, before);
    await replace(path, `${JSON.stringify(whole, null, 2)}\n`);
  });
  return before;
}

function freeName(path: string): string {
  let name = path;
  for (let n = 2; existsSync(name); n++) name = `${path}-${n}`;
  return name;
}

/** Replaces the file in one step; owner and permissions stay. */
async function replace(path: string, text: string): Promise<void> {
  const part = `${path}.part`;
  try {
    await writeFile(part, text);
    const old = await stat(path).catch(() => null);
    if (old !== null) {
      await chmod(part, old.mode & 0o7777);
      // Only the system's administrator may give files away; others write files of their own.
      await chown(part, old.uid, old.gid).catch(() => {});
    }
    await rename(part, path);
  } catch (error) {
    await rm(part, { force: true });
    throw error;
  }
}

/**
 * Brings back the file as it was before the last setup. What the setup wrote is kept beside it, because it may have been edited since.
 * @returns lines that say what was done
 */
export async function undoSettings(path: string): Promise<string[]> {
  const { checked } = (await readDraft(path)) as { readonly checked?: Checked };
  if (checked === undefined) {
    throw new ConfigError(`${path} has no report of a setup, so there is nothing to undo`);
  }
  const undone = freeName(`${path}.undone`);
  const before = checked.before === null ? null : join(dirname(path), basename(checked.before));
  if (before !== null && !existsSync(before)) {
    throw new ConfigError(
      `${before} is gone: the file as it was before ${checked.at} cannot be brought back`,
    );
  }
  await writing(path, async () => {
    await copyFile(path, undone);
    if (before === null) await rm(path);
    else await rename(before, path);
  });
  const result =
    before === null
      ? `${path} is removed: there was none before`
      : `${path} is as it was before ${checked.at}`;
  return [`${result}.`, `What the setup wrote is kept in ${undone}.`];
}
