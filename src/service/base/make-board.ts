import type { Logger } from "pino";
import { WireError } from "../../wire/codec.ts";
import type { Config } from "../config.ts";
import type { Mode } from "../mode.ts";
import type { HeadLink } from "../sensing/head-link.ts";
import type { Clients } from "../sockets/clients.ts";
import type { BoardObservation } from "./board-link.ts";
import { MotorBoard } from "./motor-board.ts";

export interface MakeBoardParts {
  readonly base: Config["base"];
  readonly mode: Pick<Mode, "origin" | "refuses">;
  readonly head: Pick<HeadLink, "intake">;
  readonly clients: Pick<Clients, "note">;
  readonly log: Logger;
  /** The head's clock, microseconds. */
  readonly now: () => number;
}

/** The motor board of the settings file; null without one, or when the head is not live and does not rehearse. */
export function makeBoard({ base, mode, head, clients, log, now }: MakeBoardParts): MotorBoard | null {
  const isLive = mode.origin === "live";
  if (base === null || !(isLive || base.serial.rehearse)) return null;
  /** Takes an observation of the board, as one of a base on a socket. */
  const observe = (observation: BoardObservation): void => {
    if (mode.refuses(observation.kind)) return;
    try {
      head.intake.take(observation);
    } catch (error) {
      if (!(error instanceof WireError)) throw error;
      log.info({ why: error.message }, "an observation of the motor board is left out");
    }
  };
  const note = (text: string): void => clients.note("board", text);
  const { serial, wheels = null } = base;
  return new MotorBoard({ serial, wheels, isLive, now, listener: { observe, note } });
}
