import { cssOf, LIGHT, NIGHT, OKABE_ITO } from "../../src/terms/palette.ts";
import { drawChart, type Points } from "../output/chart.ts";
import { escapeText } from "../output/markup.ts";

/** A page of text, figures and tables that is one file: no scripts, nothing to load. */
export interface Page {
  readonly title: string;
  readonly parts: readonly string[];
}

const STYLE = `
:root { color-scheme: light dark; ${cssOf(LIGHT)} }
@media (prefers-color-scheme: dark) { :root { ${cssOf(NIGHT)} } }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 16px; max-width: 1100px; background: var(--paper); color: var(--ink);
  font: 16px/1.5 system-ui, sans-serif; overflow-wrap: anywhere; }
h1 { font-size: 1.5rem; line-height: 1.2; } h2 { font-size: 1.15rem; margin: 2rem 0 .5rem; }
p { max-width: 70ch; } .soft, figcaption { color: var(--soft); font-size: .9rem; }
.good { color: var(--good); font-weight: 600; } .bad { color: var(--bad); font-weight: 600; }
.care { border-left: 4px solid var(--doubtful); padding: .25rem .75rem; background: var(--card); }
.figures { display: grid; gap: 16px; grid-template-columns: repeat(auto-fit, minmax(min(100%, 400px), 1fr)); }
figure { margin: 0; break-inside: avoid; } figure svg { width: 100%; max-width: 560px; height: auto; display: block; }
figure img { width: 100%; height: auto; border: 1px solid var(--line); }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; font-size: .9rem; }
th, td { overflow-wrap: break-word; text-align: left; padding: 4px 8px; border-bottom: 1px solid var(--line); vertical-align: top; }
@media screen and (max-width: 640px) {
  thead { position: absolute; clip-path: inset(50%); width: 1px; height: 1px; overflow: hidden; }
  tbody, tr, td { display: block; } tr { border-bottom: 2px solid var(--line); padding: 6px 0; }
  td { border: 0; padding: 1px 0; } td:empty { display: none; } td::before { font-weight: normal; content: attr(data-of) ": "; color: var(--soft); } }
@media print { :root { color-scheme: light; ${cssOf(LIGHT)} --paper: #fff; --ink: #000; } body { max-width: none; font-size: 11pt; } tr { break-inside: avoid; }
  h2 { break-after: avoid; } }`;

export function renderPage({ title, parts }: Page): string {
  return `<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>${escapeText(title)}</title>
<style>${STYLE}</style>
</head>
<body>
<main>
<h1>${escapeText(title)}</h1>
${parts.join("\n")}
</main>
</body>
</html>
`;
}

export const heading = (text: string): string => `<h2>${escapeText(text)}</h2>`;
export const paragraph = (text: string, kind = ""): string =>
  `<p${kind === "" ? "" : ` class="${kind}"`}>${escapeText(text)}</p>`;

export function list(items: readonly string[]): string {
  return `<ul>${items.map((item) => `<li>${escapeText(item)}</li>`).join("")}</ul>`;
}

/** A cell, and its kind. */
export type Cell = string | { readonly text: string; readonly kind: "good" | "bad" };

export function table(names: readonly string[], rows: readonly (readonly Cell[])[]): string {
  const head = names.map((name) => `<th scope="col">${escapeText(name)}</th>`).join("");
  const body = rows.map((row) => {
    const cells = row.map((cell, n) => {
      const [text, kind] = typeof cell === "string" ? [cell, ""] : [cell.text, ` class="${cell.kind}"`];
      return `<td data-of="${escapeText(names[n]!)}"${kind}>${escapeText(text)}</td>`;
    });
    return `<tr>${cells.join("")}</tr>`;
  });
  return `<table><thead><tr>${head}</tr></thead><tbody>${body.join("")}</tbody></table>`;
}

export function figures(all: readonly string[]): string {
  return `<div class="figures">${all.join("\n")}</div>`;
}

/** Stands below a table with times. */
export const NOISY_TIMES =
  "The time of a frame is noisy: it also depends on what else ran on the machine. Differences of some per cent mean nothing.";

export const chartFigure = (svg: string, caption: string): string =>
  `<figure>${svg}<figcaption>${escapeText(caption)}</figcaption></figure>`;

export function pictureFigure(png: Uint8Array, about: string): string {
  const data = Buffer.from(png).toString("base64");
  return `<figure><img alt="${escapeText(about)}" src="data:image/png;base64,${data}"><figcaption>${escapeText(about)}</figcaption></figure>`;
}

/** Differences with their intervals, best first, grouped by verdict. */
export interface Gain {
  readonly name: string;
  readonly mean: number;
  readonly low: number;
  readonly high: number;
  readonly verdict: string;
}

const KINDS = [
  { name: "better", color: OKABE_ITO.bluishGreen, shape: "triangle" },
  { name: "worse", color: OKABE_ITO.vermillion, shape: "rect" },
  { name: "not significant", color: null, shape: "circle" },
] as const;

/** Points grouped by verdict; empty groups are left out. */
export function byVerdict<T extends { readonly verdict: string }>(
  all: readonly T[],
  at: (one: T) => Points["data"][number],
): Points[] {
  return KINDS.flatMap((kind) => {
    const data = all.filter(({ verdict }) => verdict === kind.name).map(at);
    return data.length > 0 ? [{ ...kind, data }] : [];
  });
}

/** Each difference as a point on its interval, with a line where there is none. */
export function drawGains(gains: readonly Gain[], unit: string): string {
  const place = new Map(gains.map((gain, n) => [gain, n + 1]));
  const intervals = gains
    .filter(({ low }) => Number.isFinite(low))
    .map((gain) => [[gain.low, place.get(gain)!] as const, [gain.high, place.get(gain)!] as const]);
  return drawChart({
    about: `Differences with their 95 % intervals, ${unit}`,
    height: 90 + 20 * gains.length,
    x: { name: unit },
    y: { name: "", labels: gains.map(({ name }) => name) },
    points: byVerdict(gains, (gain) => [gain.mean, place.get(gain)!]),
    lines: [
      [
        [0, 0],
        [0, gains.length + 1],
      ],
      ...intervals,
    ],
  });
}
