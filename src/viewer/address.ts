import { VIEWS, type View } from "./views.ts";

/** The moment and the view in an address: `#view=plan&at=43.3`, seconds from the start of the recording. */
export interface Moment {
  readonly view: View | null;
  /** Microseconds. */
  readonly at: number | null;
}

/** Parses the hash of an address. Fields that are not understood are null. */
export function momentOf(hash: string): Moment {
  const fields = new URLSearchParams(hash.replace(/^#/, ""));
  const view = VIEWS.find((one) => one === fields.get("view")) ?? null;
  const seconds = Number(fields.get("at") ?? Number.NaN);
  return { view, at: Number.isFinite(seconds) && seconds >= 0 ? Math.round(1e6 * seconds) : null };
}

export function hashOf({ view, at }: Moment): string {
  const parts = [view === null ? "" : `view=${view}`, at === null ? "" : `at=${(at / 1e6).toFixed(2)}`];
  const said = parts.filter((part) => part !== "").join("&");
  return said === "" ? "" : `#${said}`;
}
