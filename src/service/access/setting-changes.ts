import { isDeepStrictEqual } from "node:util";
import { resolveSettings, SettingError, type Settings } from "../../head/settings.ts";
import { WireError } from "../../wire/codec.ts";
import type { FromClient } from "../../wire/messages.ts";
import type { BodySettings } from "../body-settings.ts";
import type { Mode } from "../mode.ts";
import type { HeadLink } from "../sensing/head-link.ts";
import type { Clients } from "../sockets/clients.ts";
import type { Session } from "../sockets/session.ts";
import { headTime } from "../time.ts";
import { looseningsOf } from "./loosening.ts";
import { needRight } from "./rights.ts";

/** Seconds within which a change that loosens a stop must be confirmed. */
const CONFIRM_WITHIN = 10;

type Change = NonNullable<FromClient<"settings">["change"]>;

export interface SettingParts {
  readonly mode: Mode;
  readonly head: HeadLink;
  readonly clients: Clients;
  readonly body: BodySettings;
}

/** Changes settings for clients with the right to. It asks for confirmation of a change that loosens a stop, and notifies all clients. */
export class SettingChanges {
  readonly #parts: SettingParts;
  /** Changes that await confirmation, and until when. */
  readonly #asked = new WeakMap<Session, { readonly change: Change; readonly until: number }>();

  constructor(parts: SettingParts) {
    this.#parts = parts;
  }

  /** @throws {WireError} "right", "setting", or "confirm" when confirmation is needed */
  async make(session: Session, change: Change, isConfirmed: boolean): Promise<void> {
    const { head, mode, clients } = this.#parts;
    // With a recording anyone may try settings, because no robot depends on them.
    if (mode.origin !== "recording") needRight(session, "configure", "settings");
    const before = head.settings;
    const after = this.#checked(before, change);
    if (mode.origin === "live") this.#askToConfirm({ session, change, isConfirmed, before, after });
    await this.#refusing(head.request<"changed">((ticket) => ({ kind: "change", ticket, settings: change })));
    const names = Object.keys(change) as (keyof Settings)[];
    this.#parts.body.set(names);
    const list = names.map((name) => `${name} = ${head.settings[name]} (was ${before[name]})`);
    const text = `${list.join(", ")}, by ${session.called}`;
    mode.record(`settings: ${text}`);
    clients.note("setting", text);
  }

  /** Checks names and bounds before the change is sent to the head's thread. */
  #checked(before: Settings, change: Change): Settings {
    try {
      return resolveSettings({ ...before, ...change });
    } catch (error) {
      throw asWireError(error);
    }
  }

  async #refusing<T>(work: Promise<T>): Promise<T> {
    try {
      return await work;
    } catch (error) {
      throw asWireError(error);
    }
  }

  #askToConfirm({
    session,
    change,
    isConfirmed,
    before,
    after,
  }: {
    session: Session;
    change: Change;
    isConfirmed: boolean;
    before: Settings;
    after: Settings;
  }): void {
    const looser = looseningsOf(before, after);
    if (looser.length === 0) return;
    const asked = this.#asked.get(session);
    this.#asked.delete(session);
    const isAsked =
      asked !== undefined && headTime() < asked.until && isDeepStrictEqual(asked.change, change);
    if (isConfirmed && isAsked) return;
    this.#asked.set(session, { change, until: headTime() + 1e6 * CONFIRM_WITHIN });
    const list = looser.map((name) => `${name} from ${before[name]} to ${after[name]}`).join(", ");
    const how = `send the same change with confirm: true within ${CONFIRM_WITHIN} s if it is meant`;
    throw new WireError(
      "confirm",
      "settings",
      null,
      `the base will stop later, or for less: ${list}; ${how}`,
    );
  }
}

function asWireError(error: unknown): unknown {
  return error instanceof SettingError ? new WireError("setting", "settings", null, error.message) : error;
}
