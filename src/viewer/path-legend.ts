import { byId } from "./dom.ts";
import { lineOf } from "./page-state.ts";
import type { Trail } from "./worker-messages.ts";

/** What each class of pose means. */
const MEANINGS: Readonly<Record<string, string>> = {
  reference: "recorded beside the sensors",
  held: "fixed by depth",
  sliding: "depth leaves one direction free",
  carried: "dead-reckoned from wheels and inertial sensors",
  lost: "not known, the map rests",
};

/** Lists the classes of pose that the path has, each beside its line. */
export function showPathLegend({ classes }: Trail): void {
  const list = byId("path-legend");
  const names = classes.join();
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
}
