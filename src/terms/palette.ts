// Colours of page, pictures and reports. Each is defined here and nowhere else: the page's style sheet is generated from it.
// Every colour that carries a meaning has a pattern, shape or word beside it.

/** Colours that people with any kind of colour vision can distinguish. Source: Okabe & Ito 2008, Color Universal Design. */
export const OKABE_ITO = {
  orange: "#e69f00",
  skyBlue: "#56b4e9",
  bluishGreen: "#009e73",
  blue: "#0072b2",
  vermillion: "#d55e00",
} as const;

/** A colour for each use, as `#rrggbb`. */
export interface Palette {
  /** Background of everything; with sparse dots: never seen. */
  readonly paper: string;
  /** Behind panels and dialogs. */
  readonly card: string;
  /** Text, secondary text, hairlines of drawings, lines around panels. */
  readonly ink: string;
  readonly soft: string;
  readonly faint: string;
  readonly line: string;
  /** Focus, pressed buttons, links, and text on them. */
  readonly accent: string;
  readonly accentInk: string;
  /** Floor that was seen. */
  readonly firm: string;
  /** Obstacles on the floor; as bars on paper, overhangs. */
  readonly obstacle: string;
  /** A drop: the edge of the floor, and with hatching the floor that is gone. */
  readonly brink: string;
  /** Floor that was expected and not measured; with dots. */
  readonly doubtful: string;
  /** The dots on places that were never seen. */
  readonly unseen: string;
  /** Surfaces of the map in three dimensions: floor, what stands in the robot's way, what is above the robot. */
  readonly mapFloor: string;
  readonly mapStanding: string;
  readonly mapOverhead: string;
  /** Floor heights, from far below level to far above it; level is `firm`. */
  readonly deep: string;
  readonly low: string;
  readonly dip: string;
  readonly rise: string;
  readonly high: string;
  readonly top: string;
  /** The robot and its path. */
  readonly robot: string;
  /** What a person marked or measured. */
  readonly mark: string;
  /** Text for "better" or "right". */
  readonly good: string;
  /** Warnings: text and background. */
  readonly bad: string;
  readonly badPaper: string;
  /** Ends of the scale of depth images. */
  readonly depthNear: string;
  readonly depthFar: string;
}

export const LIGHT: Palette = {
  paper: "#fbfaf7",
  card: "#ffffff",
  ink: "#1d2327",
  soft: "#545c61",
  faint: "#d4d3cd",
  line: "#c9c7bf",
  accent: "#005f94",
  accentInk: "#ffffff",
  firm: "#cfe9df",
  obstacle: OKABE_ITO.blue,
  brink: OKABE_ITO.vermillion,
  doubtful: OKABE_ITO.orange,
  unseen: "#8b9095",
  mapFloor: "#dfe6dd",
  mapStanding: "#5aa3cf",
  mapOverhead: "#b9b3c9",
  deep: "#a84a00",
  low: "#e5914f",
  dip: "#f7d9bd",
  rise: "#93cfba",
  high: "#48a385",
  top: "#12664e",
  robot: "#a8326f",
  mark: "#a63d00",
  good: "#00694c",
  bad: "#9c2f00",
  badPaper: "#ffe9dc",
  depthNear: "#0b2f45",
  depthFar: "#dfeef6",
};

export const NIGHT: Palette = {
  paper: "#14181b",
  card: "#1c2226",
  ink: "#eceff1",
  soft: "#a9b3b9",
  faint: "#39424a",
  line: "#3a444b",
  accent: "#7cc4ee",
  accentInk: "#0c1a22",
  firm: "#1f4b3f",
  obstacle: OKABE_ITO.skyBlue,
  brink: "#f07b2a",
  doubtful: "#e6b13a",
  unseen: "#7d868c",
  mapFloor: "#5f6b64",
  mapStanding: "#4a9bcb",
  mapOverhead: "#77718c",
  deep: "#ff9a52",
  low: "#b3612a",
  dip: "#5b3a24",
  rise: "#2f6f5d",
  high: "#4fa68b",
  top: "#9be0c8",
  robot: "#ef9cc6",
  mark: "#ffa66b",
  good: "#4cc9a0",
  bad: "#ffb38a",
  badPaper: "#40210f",
  depthNear: "#e9f5fb",
  depthFar: "#1d4258",
};

/** The colours as CSS custom properties, `mapFloor` as `--map-floor`. */
export const cssOf = (palette: Palette): string =>
  Object.entries(palette)
    .map(
      ([name, colour]) => `--${name.replace(/[A-Z]/g, (letter) => `-${letter.toLowerCase()}`)}: ${colour};`,
    )
    .join(" ");
