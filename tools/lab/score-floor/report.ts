import { DROPS, FLOORS, TRAPS } from "../floor/courses.ts";
import { poissonBound, rateInterval } from "../floor/intervals.ts";
import { BINS, hasMoved, type Row } from "./drive-job.ts";

const quantile = (values: readonly number[], share: number): number => {
  const sorted = values.filter(Number.isFinite).sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] ?? Number.NaN;
};
const cm = (metres: number): string => (100 * metres).toFixed(1);
const percent = (share: number): string => `${(100 * share).toFixed(3)} %`;

/** The report as lines. */
export function report(rows: readonly Row[]): string[] {
  const of = (kind: Row["job"]["kind"]) => rows.filter(({ job }) => job.kind === kind);
  const [cruises, traps] = [of("cruise"), of("trap")];
  return [
    ...approachLines(of("approach")),
    ...(cruises.length > 0 ? cruiseLines(cruises) : []),
    ...(traps.length > 0 ? trapLines(traps) : []),
  ];
}

function approachLines(approaches: readonly Row[]): string[] {
  const lines: string[] = [];
  const of = (drop: string) => approaches.filter(({ job }) => job.kind === "approach" && job.drop === drop);
  lines.push("Approaches: a base that obeys the pace drives at an edge (a miss: any wheel past it)");
  lines.push(
    "drop         drives  moved  miss   stands before the edge, cm   edge known to, cm    last limit",
  );
  lines.push("                                     median   least              median   95 %");
  const deep = approaches.filter(({ job }) => job.kind === "approach" && job.drop !== "20");
  for (const drop of [...DROPS, "20"]) {
    const all = of(drop);
    if (all.length === 0) continue;
    const moved = all.filter(hasMoved);
    const gaps = moved.map(({ gap }) => gap);
    const errors = moved.map(({ error }) => error);
    const limits = ["brink", "doubtful", "unseen"].map(
      (limit) => `${limit} ${moved.filter(({ outcome }) => outcome.limit === limit).length}`,
    );
    const misses = all.filter(({ outcome }) => outcome.isMiss).length;
    const name = Number.isNaN(Number(drop)) ? drop : `${drop} mm`;
    lines.push(
      `${name.padEnd(12)} ${String(all.length).padStart(6)} ${String(moved.length).padStart(6)} ${String(misses).padStart(5)}` +
        `   ${cm(quantile(gaps, 0.5)).padStart(8)} ${cm(quantile(gaps, 0)).padStart(8)}` +
        `            ${cm(quantile(errors, 0.5)).padStart(8)} ${cm(quantile(errors, 0.95)).padStart(6)}    ${limits.join(", ")}`,
    );
  }
  const movedDeep = deep.filter(hasMoved);
  const misses = movedDeep.filter(({ outcome }) => outcome.isMiss).length;
  const [low, high] = rateInterval(misses, movedDeep.length);
  const errors = movedDeep.map(({ error }) => error);
  lines.push(
    `50 mm and more: ${misses} misses in ${movedDeep.length} approaches; 95 % ${misses === 0 ? "bound" : "interval"} ` +
      `${percent(low)} to ${percent(high)} (Clopper-Pearson)`,
    `edge known to: median ${cm(quantile(errors, 0.5))} cm, 95 % ${cm(quantile(errors, 0.95))} cm, where the base stood`,
    `${deep.length - movedDeep.length} more never set out: their heads see no floor as dark as that in front of them`,
  );
  const small = of("20");
  if (small.length > 0) lines.push(smallDropLine(small));
  return lines;
}

/** How far a brink of 20 mm is seen. */
function smallDropLine(small: readonly Row[]): string {
  const bins = Array.from({ length: BINS }, (_, n) =>
    small.reduce(([a, b], { seen }) => [a + seen[n]![0], b + seen[n]![1]] as [number, number], [0, 0] as [
      number,
      number,
    ]),
  );
  return `20 mm, frames that saw the brink by distance from the lens: ${bins
    .map(([frames, hits], n) =>
      frames > 20 ? `${n / 10}-${(n + 1) / 10} m ${((100 * hits) / frames).toFixed(0)} %` : "",
    )
    .filter(Boolean)
    .join(", ")}`;
}

function cruiseLines(cruises: readonly Row[]): string[] {
  const lines: string[] = [];
  lines.push(
    "",
    "Floors without a drop (a false stop: the base stands for half a second and wants to go on)",
  );
  lines.push("floor          drives  minutes  stops  brinks seen  mean speed kept");
  for (const floor of FLOORS) {
    const all = cruises.filter(({ job }) => job.kind === "cruise" && job.floor === floor);
    if (all.length === 0) continue;
    const minutes = all.reduce((sum, { outcome }) => sum + outcome.time, 0) / 60;
    const stops = all.reduce((sum, { outcome }) => sum + outcome.stops, 0);
    const brinks = all.reduce((sum, { outcome }) => sum + outcome.brinks, 0);
    const kept =
      all.reduce((sum, { ideal, outcome }) => sum + Math.min(1, ideal / outcome.time), 0) / all.length;
    lines.push(
      `${floor.padEnd(14)} ${String(all.length).padStart(6)} ${minutes.toFixed(1).padStart(8)} ${String(stops).padStart(6)}` +
        ` ${String(brinks).padStart(12)} ${(100 * kept).toFixed(0).padStart(14)} %`,
    );
  }
  const hours = cruises.reduce((sum, { outcome }) => sum + outcome.time, 0) / 3600;
  const stops = cruises.reduce((sum, { outcome }) => sum + outcome.stops, 0);
  const bright = cruises.filter(
    ({ job, reflectance }) =>
      job.kind === "cruise" && job.floor !== "braking" && job.floor !== "black mat" && reflectance >= 0.1,
  );
  const kept =
    bright.reduce((sum, { ideal, outcome }) => sum + Math.min(1, ideal / outcome.time), 0) / bright.length;
  lines.push(
    `${stops} false stops in ${hours.toFixed(2)} h; at 95 % confidence below ${poissonBound(stops, hours).toFixed(2)} per hour (Poisson)`,
    `mean speed kept on ordinary floors (10 % and brighter): ${(100 * kept).toFixed(0)} %`,
  );
  const mats = cruises
    .filter(({ job }) => job.kind === "cruise" && job.floor === "black mat")
    .map(({ outcome, head }) => (outcome.marks[1]! - outcome.marks[0]!) / ((1.2 + 0.42) / head.speed));
  lines.push(
    `a 1.2 m black mat takes ${quantile(mats, 0.5).toFixed(2)} times as long as at the wished speed (worst ${quantile(mats, 1).toFixed(2)})`,
  );
  return lines;
}

function trapLines(traps: readonly Row[]): string[] {
  const lines: string[] = [];
  lines.push("", "Traps", "name                         drives  moved  miss  stood at the end");
  for (const name of TRAPS) {
    const all = traps.filter(({ job }) => job.kind === "trap" && job.trap === name);
    const count = (test: (row: Row) => boolean) => String(all.filter(test).length);
    lines.push(
      `${name.padEnd(28)} ${String(all.length).padStart(6)} ${count(hasMoved).padStart(6)}` +
        ` ${count(({ outcome }) => outcome.isMiss).padStart(5)} ${count(({ outcome }) => outcome.stopped).padStart(17)}`,
    );
  }
  return lines;
}
