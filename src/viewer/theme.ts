/** Colours of one theme, read from the page's style sheet. */
export interface Theme {
  readonly ground: string;
  readonly ink: string;
  readonly faint: string;
  readonly floor: string;
  readonly body: string;
  readonly over: string;
  readonly robot: string;
  readonly mark: string;
  readonly firm: string;
  readonly obstacle: string;
  readonly brink: string;
  readonly doubtful: string;
  readonly unseen: string;
  readonly seenNear: string;
  readonly seenFar: string;
}

export function readTheme(): Theme {
  const style = getComputedStyle(document.documentElement);
  const of = (name: string): string => style.getPropertyValue(`--${name}`).trim();
  return {
    ground: of("ground"),
    ink: of("ink"),
    faint: of("faint"),
    floor: of("map-floor"),
    body: of("map-body"),
    over: of("map-over"),
    robot: of("robot"),
    mark: of("mark"),
    firm: of("firm"),
    obstacle: of("obstacle"),
    brink: of("brink"),
    doubtful: of("doubtful"),
    unseen: of("unseen"),
    seenNear: of("seen-near"),
    seenFar: of("seen-far"),
  };
}
