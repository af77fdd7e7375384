import { readFile } from "node:fs/promises";
import { SETTINGS, SettingError } from "../../src/head/settings.ts";
import type { Option } from "../frame/command.ts";
import { reading } from "../frame/errors.ts";

/** Options of every command that replays. */
export const SETTINGS_OPTIONS = {
  pose: {
    type: "string",
    value: "<source>",
    help: "source of poses: reference, odometry or tracked (default: as in the recording, else reference)",
  },
  set: {
    type: "string",
    multiple: true,
    value: "<name=value>",
    help: "change a setting; may be repeated. brinkmap replay --set help lists all settings",
  },
  settings: { type: "string", value: "<file>", help: "settings as a JSON object; --set overrides them" },
} as const satisfies Record<string, Option>;

/** The settings of those options. @throws {SettingError} and file errors */
export async function givenSettings(values: {
  readonly pose?: string | undefined;
  readonly set?: readonly string[] | undefined;
  readonly settings?: string | undefined;
}): Promise<Record<string, unknown>> {
  const settings = await settingsFrom(values.settings, values.set ?? []);
  if (values.pose !== undefined) settings["pose.source"] = values.pose;
  return settings;
}

/** Settings from a file and from name=value words, the words on top. */
export async function settingsFrom(
  file: string | undefined,
  words: readonly string[],
): Promise<Record<string, unknown>> {
  const settings: Record<string, unknown> = {};
  if (file !== undefined) {
    let parsed: unknown;
    try {
      parsed = JSON.parse(await reading(file, () => readFile(file, "utf8")));
    } catch (error) {
      if (error instanceof SyntaxError) throw new SettingError(`${file} is not JSON: ${error.message}`);
      throw error;
    }
    if (typeof parsed !== "object" || parsed === null || Array.isArray(parsed)) {
      throw new SettingError(`${file} must hold one JSON object of setting names and values`);
    }
    Object.assign(settings, parsed);
  }
  for (const word of words) {
    const at = word.indexOf("=");
    if (at < 1) throw new SettingError(`--set takes name=value, got "${word}"; --set help lists the names`);
    settings[word.slice(0, at)] = word.slice(at + 1);
  }
  return settings;
}

/** All settings, as lines for people. */
export function listSettings(): string {
  return Object.entries(SETTINGS)
    .map(([name, row]) => {
      const allowed =
        row.type === "choice"
          ? row.choices.join(" | ")
          : row.type === "text"
            ? "text"
            : `${row.min} to ${row.max} ${row.unit}`;
      return `${name.padEnd(24)} ${String(row.default).padEnd(10)} ${allowed}\n${" ".repeat(25)}${row.help}`;
    })
    .join("\n");
}
