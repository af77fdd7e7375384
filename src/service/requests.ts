import type { Logger } from "pino";
import { SETTINGS, SettingError } from "../head/settings.ts";
import { WireError } from "../wire/codec.ts";
import type { Draft, FromClient, SettingRow } from "../wire/messages.ts";
import { needRight } from "./access/rights.ts";
import { SettingChanges } from "./access/setting-changes.ts";
import type { MotorBoard } from "./base/motor-board.ts";
import type { BodySettings } from "./body-settings.ts";
import type { SavedMap } from "./maps/saved-map.ts";
import { DOES, type Mode } from "./mode.ts";
import type { HeadLink } from "./sensing/head-link.ts";
import type { Clients } from "./sockets/clients.ts";
import type { Session } from "./sockets/session.ts";
import { headTime } from "./time.ts";
import { placedWay } from "./ways/spot-goal.ts";

/** The table of settings as sent to clients, without the functions that check texts. */
const SETTING_ROWS: Readonly<Record<string, SettingRow>> = Object.fromEntries(
  Object.entries(SETTINGS).map(([name, row]) => [
    name,
    row.type === "text" ? { type: row.type, default: row.default, help: row.help } : row,
  ]),
);

/** Questions whose answers a base may use for driving. */
const DEPENDS_ON_PLACE: ReadonlySet<string> = new Set(["line", "arc", "clearance", "footing"]);

const ASSUMED = {
  code: "place",
  why: "the base's place in the saved map is assumed: free ground on that map may be elsewhere; confirm the place first (map, action confirm)",
} as const;
const NO_OUTLINE = {
  code: "setting",
  why: "the outline of this base was never set (body.footprint)",
} as const;

/** Why a head tells no ways now; null when it does. */
export function whyNoWays(
  mode: Pick<Mode, "origin">,
  savedMap: SavedMap,
  body: BodySettings,
): typeof ASSUMED | typeof NO_OUTLINE | null {
  if (savedMap.isAssumed) return ASSUMED;
  return mode.origin === "live" && body.missing.includes("body.footprint") ? NO_OUTLINE : null;
}

const NO_BOARD = "drive: no motor board is connected: set base.serial in the settings file";
const BACK = "the map of before is back";

export interface RequestParts {
  readonly log: Logger;
  readonly mode: Mode;
  readonly head: HeadLink;
  readonly clients: Clients;
  readonly savedMap: SavedMap;
  readonly body: BodySettings;
  /** Null without a motor board on a serial line. */
  readonly board: Pick<MotorBoard, "command"> | null;
  /** Called after the map was cleared, so that clients drop the old one. */
  mapCleared(): void;
}

/** Handles the requests of admitted clients. */
export class Requests {
  readonly #parts: RequestParts;
  readonly #changes: SettingChanges;
  #isStopping = false;

  constructor(parts: RequestParts) {
    this.#parts = parts;
    this.#changes = new SettingChanges(parts);
  }

  /** Notes that the service ends: later failures of requests get no answer. */
  stop(): void {
    this.#isStopping = true;
  }

  /** Handles all messages except hello, seen, clock and subscribe, which the session handles. @throws {WireError} */
  handle(session: Session, message: FromClient): void {
    const { mode, head } = this.#parts;
    if (mode.refuses(message.kind)) {
      this.#refuseKind(session, message.kind);
      return;
    }
    switch (message.kind) {
      case "hello":
      case "seen":
      case "clock":
      case "subscribe":
        break;
      case "depth":
      case "knock":
      case "floorcheck":
      case "waiver":
      case "orientation":
      case "inertial":
      case "reference":
      case "mount":
      case "motion":
        head.intake.take(message);
        break;
      case "drive":
        if (this.#parts.board === null) throw new WireError("setting", "drive", null, NO_BOARD);
        this.#parts.board.command(message);
        break;
      case "ask":
        this.#later(session, message, () => this.#ask(session, message));
        break;
      case "settings":
        this.#later(session, message, () => this.#settings(session, message));
        break;
      case "map":
        this.#later(session, message, async () => {
          const text = await this.#map(session, message.action);
          session.outbox!.reply({ kind: "done", id: message.id, text });
        });
        break;
      case "mark":
      case "keep":
      case "play":
      case "open":
        this.#later(session, message, () => mode.handle(session, message));
        break;
      default:
        message satisfies never;
    }
  }

  /**
   * Refuses a kind of event, because the head's events have another source. A client gets one refusal for each kind: a rehearsing base sends
   * odometry all the time, and would be closed for too many refusals.
   */
  #refuseKind(session: Session, kind: FromClient["kind"]): void {
    if (session.refusedKinds.has(kind)) return;
    session.refusedKinds.add(kind);
    throw new WireError("origin", kind, null, `${kind}: this head ${DOES[this.#parts.mode.origin]}`);
  }

  /** Runs work whose answer comes later. An error is sent to the client that asked. */
  #later(session: Session, { kind, id }: { kind: string; id: number }, work: () => Promise<void>): void {
    work().catch((error: unknown) => {
      if (error instanceof WireError) session.fail(new WireError(error.code, error.about, id, error.message));
      else if (!this.#isStopping) {
        this.#parts.log.error({ err: error }, "a request failed");
        const why = `${kind}: it could not be done; the head's log says why`;
        session.fail(new WireError("busy", kind, id, why));
      }
    });
  }

  async #ask(session: Session, { id, question }: FromClient<"ask">): Promise<void> {
    const { head, savedMap, body, mode } = this.#parts;
    const refusal =
      question.about === "way" || question.about === "look"
        ? whyNoWays(mode, savedMap, body)
        : savedMap.isAssumed && DEPENDS_ON_PLACE.has(question.about)
          ? ASSUMED
          : null;
    if (refusal !== null) throw new WireError(refusal.code, "ask", id, `ask: ${refusal.why}`);
    const asked =
      question.about === "way"
        ? head.askWay(placedWay(question, head.settings["map.spots"]))
        : question.about === "look"
          ? head.askWay(question)
          : head.request<"answer">((ticket) => ({ kind: "ask", ticket, question }));
    const found = await asked.catch((error: unknown) => {
      if (error instanceof SettingError) throw new WireError("busy", "ask", id, `ask: ${error.message}`);
      throw error;
    });
    const { time, revision, answer } = found;
    if (answer === null) throw new WireError("busy", "ask", id, "ask: the pose of the base is not known yet");
    const now = headTime();
    const age = time === null ? null : Math.max(0, now - time);
    session.outbox!.reply({ kind: "answer", id, time: now, revision, answer, age });
  }

  async #settings(
    session: Session,
    { id, change, confirm = false, explain }: FromClient<"settings">,
  ): Promise<void> {
    if (change !== undefined) await this.#changes.make(session, change, confirm);
    const reply: Draft<"settings"> = { kind: "settings", id, values: { ...this.#parts.head.settings } };
    session.outbox!.reply(explain === true ? { ...reply, rows: SETTING_ROWS } : reply);
  }

  /** Brings back the map that was cleared last. @throws {WireError} when there is none */
  async #undoClear(): Promise<string> {
    const { head, savedMap } = this.#parts;
    try {
      const { lost } = await head.request<"restored">((ticket) => ({ kind: "undo", ticket }));
      savedMap.restored();
      return lost === 0 ? BACK : `${BACK}; what was mapped since it was cleared is gone`;
    } catch (error) {
      if (!(error instanceof SettingError)) throw error;
      throw new WireError("map", "map", null, `map: ${error.message}`);
    }
  }

  /** @returns a text for a person that says what was done */
  async #map(session: Session, action: FromClient<"map">["action"]): Promise<string> {
    const { head, mode, clients, savedMap, mapCleared } = this.#parts;
    const tell = (text: string): string => {
      mode.record(`map: ${text}, by ${session.called}`);
      clients.note("map", `${text}, by ${session.called}`);
      return text;
    };
    switch (action) {
      case "save":
        return savedMap.save();
      case "confirm":
        needRight(session, ["drive", "configure"], "map");
        await savedMap.confirm();
        return tell("the base stands where the saved map says");
      case "anew":
        needRight(session, "configure", "map");
        await savedMap.beginAnew();
        return tell(
          "this is another place: its map is a new one, and the one of the last run is kept beside it",
        );
      case "clear":
        needRight(session, "configure", "map");
        await head.request<"done">((ticket) => ({ kind: "clear", ticket }));
        await savedMap.cleared(headTime());
        mapCleared();
        return tell("the map is empty");
      case "undo":
        needRight(session, "configure", "map");
        return tell(await this.#undoClear());
      default:
        return action satisfies never;
    }
  }
}
