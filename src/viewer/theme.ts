import { LIGHT, NIGHT, type Palette } from "../terms/palette.ts";

/** Colours of drawings on the page. The style sheet has the same colours, by `data-theme`. */
export type Theme = Palette;

export type ThemeName = "light" | "night";

export const THEMES: Readonly<Record<ThemeName, Theme>> = { light: LIGHT, night: NIGHT };
