import type { ConfigFile, STEP_RESULTS } from "../../src/service/config-file.ts";
import type { Talk } from "./talk.ts";

/** A settings file that is being made: as in the file, where fields with a default may be missing. */
export type DraftConfig = Loose<ConfigFile>;
type Loose<T> = T extends readonly (infer Item)[]
  ? number extends T["length"]
    ? readonly Loose<Item>[]
    : T
  : T extends object
    ? { readonly [Field in keyof T]?: Loose<T[Field]> }
    : T;

export interface Outcome {
  readonly result: (typeof STEP_RESULTS)[number];
  readonly text: string;
  /** The settings file after this step; absent where the step changes nothing. */
  readonly config?: DraftConfig;
}

/** What all steps share. */
export interface Session {
  readonly talk: Talk;
  /** Folder that holds sys and dev. */
  readonly root: string;
  /** A scenario that stands in for the sensors; null: real ones. */
  readonly scenario: string | null;
  /** Port of the trial head; 0: any. */
  readonly port: number;
  /** Longest drive, seconds. */
  readonly seconds: number;
  /** Pictures with colours, redrawn in place. */
  readonly isTerminal: boolean;
  readonly signal: AbortSignal;
}

export interface Step {
  readonly title: string;
  /** What it does, for the help. */
  readonly about: string;
  /** Why it cannot run; null: it can. */
  cannot(session: Session, config: DraftConfig): string | null;
  run(session: Session, config: DraftConfig): Promise<Outcome>;
}

/** Why a step that needs frames cannot run; null: it can. A sensor without a source has a driver that connects by the socket. */
export function withoutSensor({ scenario }: Session, { sensors = [] }: DraftConfig): string | null {
  return scenario === null && sensors.length === 0 ? "no depth camera is set (step devices)" : null;
}
