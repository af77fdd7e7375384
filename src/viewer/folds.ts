import { byId } from "./dom.ts";

/** The browser's storage key of the legend, a `details` element of its own. */
const LEGEND = "legend open";

/** Panels that fold away, each with its own handle. The browser remembers which are folded. */
const PANELS = ["side", "time"] as const;
type Panel = (typeof PANELS)[number];

const keyOf = (panel: Panel): string => `folded ${panel}`;

function setFolded(panel: Panel, isFolded: boolean): void {
  document.documentElement.classList.toggle(`is-${panel}-folded`, isFolded);
  byId(`fold-${panel}`).setAttribute("aria-expanded", String(!isFolded));
}

export function toggleFold(panel: Panel): void {
  const isFolded = byId(`fold-${panel}`).getAttribute("aria-expanded") === "true";
  setFolded(panel, isFolded);
  localStorage.setItem(keyOf(panel), String(isFolded));
}

/** Folds away everything except the state and the map, or restores it. */
export function toggleMapOnly(): void {
  const isOnly = document.documentElement.classList.toggle("is-map-only");
  byId("map-only").setAttribute("aria-pressed", String(isOnly));
}

/** Gives the page the whole screen, or takes it back. */
export function toggleFullScreen(): void {
  // A browser refuses it where a person has forbidden it: then nothing changes.
  const done =
    document.fullscreenElement === null
      ? document.documentElement.requestFullscreen()
      : document.exitFullscreen();
  done.catch(() => {});
}

/** Shows all panels, without a change to what the browser remembers. */
export function unfoldAll(): void {
  if (document.documentElement.classList.contains("is-map-only")) toggleMapOnly();
  for (const panel of PANELS) setFolded(panel, false);
}

export function listenToFolds(): void {
  byId("full-screen").hidden = !document.fullscreenEnabled;
  document.addEventListener("fullscreenchange", () => {
    byId("full-screen").setAttribute("aria-pressed", String(document.fullscreenElement !== null));
  });
  for (const panel of PANELS) {
    byId(`fold-${panel}`).addEventListener("click", () => toggleFold(panel));
    setFolded(panel, localStorage.getItem(keyOf(panel)) === "true");
  }
  const layers = byId<HTMLDetailsElement>("layers");
  layers.open = localStorage.getItem(LEGEND) === "true";
  layers.addEventListener("toggle", () => localStorage.setItem(LEGEND, String(layers.open)));
}
