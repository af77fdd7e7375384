import { join } from "node:path";
import { ImportError } from "./source.ts";
import { listFolder } from "./text.ts";

/**
 * The files of a folder whose names follow `pattern`, in which `{n}` is the frame number, with any number of digits.
 * @returns paths by frame number, lowest first
 * @throws {ImportError} if the pattern has no or two `{n}`, no file follows it, or two have the same number
 */
export function numberedFiles(folder: string, pattern: string): Map<number, string> {
  const parts = pattern.split("{n}");
  if (parts.length !== 2)
    throw new ImportError(pattern, null, "the pattern needs {n} once, where the frame number stands");
  const [before, after] = parts.map((part) => part.replace(/[\\^$.*+?()[\]{}|]/g, "\\$&"));
  const follows = new RegExp(`^${before}(\\d{1,15})${after}$`);
  const found: [number, string][] = [];
  for (const name of listFolder(folder)) {
    const digits = follows.exec(name)?.[1];
    if (digits !== undefined) found.push([Number(digits), name]);
  }
  found.sort(([a, nameA], [b, nameB]) => a - b || (nameA < nameB ? -1 : 1));
  for (const [i, [number, name]] of found.entries()) {
    const next = found[i + 1];
    if (next?.[0] === number)
      throw new ImportError(
        join(folder, next[1]),
        null,
        `frame ${number} is also ${name}; remove one of them`,
      );
  }
  if (found.length === 0)
    throw new ImportError(folder, null, `no file is named ${pattern}; give the pattern that they follow`);
  return new Map(found.map(([number, name]) => [number, join(folder, name)]));
}
