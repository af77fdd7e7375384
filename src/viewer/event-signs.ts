/** A kind of event: its sign on timelines and in lists, and its name. */
interface EventSign {
  readonly sign: string;
  readonly name: string;
}

const SIGNS: Readonly<Record<string, EventSign>> = {
  brink: { sign: "▼", name: "stop at a drop" },
  stop: { sign: "■", name: "stop" },
  slow: { sign: "▲", name: "below half speed" },
  knock: { sign: "✱", name: "knock" },
  floorcheck: { sign: "?", name: "floorcheck" },
  lost: { sign: "✕", name: "pose lost" },
  found: { sign: "⌖", name: "pose found" },
  pose: { sign: "⌖", name: "pose" },
  sight: { sign: "◌", name: "sight" },
  track: { sign: "↺", name: "tracking" },
  gap: { sign: "⋯", name: "gap" },
  waiver: { sign: "!", name: "waiver" },
  mark: { sign: "◆", name: "mark" },
  sensor: { sign: "●", name: "sensor" },
  map: { sign: "▣", name: "map" },
  setting: { sign: "≡", name: "setting" },
  load: { sign: "△", name: "load" },
  pretrigger: { sign: "◉", name: "recording kept" },
};

/** @param text of the event: a lost pose has another sign than a found one */
export function signOf(what: string, text = ""): EventSign {
  if (what === "pose" && text.startsWith("lost")) return SIGNS["lost"]!;
  return SIGNS[what] ?? { sign: "•", name: what };
}

/** Whether a kind of event limits the robot's pace. These events have a row of their own. */
export const limitsPace = (what: string): boolean => what === "brink" || what === "stop" || what === "slow";
