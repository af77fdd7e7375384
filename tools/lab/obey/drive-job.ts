import { drive, type Outcome } from "./drive.ts";
import { argumentsOf, drawKnobs, type Knobs, turned } from "./knobs.ts";
import { simplify } from "./simpler.ts";

export type Job =
  | { readonly kind: "drive"; readonly number: number; readonly changes: readonly string[] }
  | { readonly kind: "simplify"; readonly knobs: Knobs };

/** A drive and its outcome; plain data, to cross threads. */
export interface Row {
  readonly number: number;
  /** Knobs that are set in all drives of the run. */
  readonly changes: readonly string[];
  readonly fall: Outcome["fall"];
  readonly contacts: number;
  readonly fault: string;
  readonly time: number;
  readonly way: number;
  readonly cost: number;
  readonly last: string;
  /** Of a fall: the arguments that repeat it. */
  readonly again: string;
}

/** In a worker. */
export function runJob(job: Job): Row {
  if (job.kind === "drive") {
    const knobs = turned(drawKnobs(job.number), job.changes);
    return { ...rowOf(job.number, knobs, drive(knobs)), changes: job.changes };
  }
  const { knobs, outcome } = simplify(job.knobs, drive(job.knobs), drive);
  return rowOf(-1, knobs, outcome);
}

export function rowOf(number: number, knobs: Knobs, outcome: Outcome): Row {
  const { fall, contacts, time, way, cost, last } = outcome;
  const again = fall === null ? "" : argumentsOf(knobs);
  return {
    number,
    changes: [],
    fall,
    contacts: contacts.length,
    // A fall before anything went wrong is not that fault's.
    fault: fall !== null && fall.time < Number(knobs["fault.at"]) ? "none" : String(knobs.fault),
    time,
    way,
    cost,
    last,
    again,
  };
}
