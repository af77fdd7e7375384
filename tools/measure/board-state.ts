import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { readHeat } from "../../src/service/sensing/heat.ts";

/** What the kernel tells of the board's heat and clock; null or empty where it tells nothing. */
export interface BoardState {
  /** Hottest zone, degrees Celsius. */
  readonly temperature: number | null;
  /** Degrees at which that zone slows the board down: its lowest passive or hot trip point. */
  readonly limit: number | null;
  /** Present and highest clock of the slowest core, megahertz. */
  readonly clock: number | null;
  readonly highestClock: number | null;
  /** How the kernel chooses the clock, "performance" for example. */
  readonly governor: string | null;
}

/** A file's text; null when it cannot be read: not every kernel has each file. */
function textOf(...path: readonly string[]): string | null {
  try {
    return readFileSync(join(...path), "utf8").trim();
  } catch {
    return null;
  }
}

function numberOf(...path: readonly string[]): number | null {
  const text = textOf(...path);
  return text === null || !/^-?\d+$/.test(text) ? null : Number(text);
}

function namesIn(folder: string, pattern: RegExp): string[] {
  try {
    return readdirSync(folder).filter((name) => pattern.test(name)).sort(); // biome-ignore format: one line
  } catch {
    return [];
  }
}

/**
 * Reads the state from the kernel's files.
 * Source: Linux documentation, admin-guide/pm/cpufreq (kilohertz).
 * @param system the folder /sys, or another in tests
 */
export async function readBoardState(system = "/sys"): Promise<BoardState> {
  const heat = await readHeat(system);
  const cpus = join(system, "devices/system/cpu");
  const clocks = namesIn(cpus, /^cpu\d+$/).flatMap((cpu) => {
    const now = numberOf(cpus, cpu, "cpufreq/scaling_cur_freq");
    const most = numberOf(cpus, cpu, "cpufreq/cpuinfo_max_freq");
    return now === null || most === null ? [] : [{ now, most }];
  });
  const [slowest] = clocks.sort((a, b) => a.now / a.most - b.now / b.most);
  return {
    temperature: heat?.temperature ?? null,
    limit: heat?.limit ?? null,
    clock: slowest === undefined ? null : slowest.now / 1000,
    highestClock: slowest === undefined ? null : slowest.most / 1000,
    governor: textOf(cpus, "cpu0/cpufreq/scaling_governor"),
  };
}
