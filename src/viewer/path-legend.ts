import { byId } from "./dom.ts";
import { lineOf } from "./page-state.ts";
import type { Trail } from "./worker-messages.ts";

/** Meanings of the quality classes of poses. */
const MEANINGS: Readonly<Record<string, string>> = {
  reference: "recorded beside the sensors",
  held: "fixed by depth",
  sliding: "depth leaves one direction free",
  carried: "dead-reckoned from wheels and inertial sensors",
  lost: "not known, mapping pauses",
};

/** Lists the quality classes of the path, each beside its line style. */
export function showPathLegend({ classes, keyframes }: Trail): void {
  const list = byId("path-legend");
  const hasKeyframes = keyframes.length > 0;
  const names = [...classes, hasKeyframes].join();
  if (list.dataset["names"] === names) return;
  list.dataset["names"] = names;
  list.replaceChildren(
    ...classes.map((name) => {
      const row = document.createElement("li");
      const line = document.createElement("span");
      line.className = `swatch line-${lineOf(name)}`;
      const meaning = MEANINGS[name];
      row.append(line, `path, pose ${name}${meaning === undefined ? "" : `: ${meaning}`}`);
      return row;
    }),
  );
  if (!hasKeyframes) return;
  const row = document.createElement("li");
  row.textContent = "▸ keyframes";
  list.append(row);
}
