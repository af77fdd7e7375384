import { byId, setText } from "./dom.ts";
import { setToken } from "./token.ts";

const dialog = (id: string): HTMLDialogElement => byId<HTMLDialogElement>(id);

/** Listens to a dialog with one text field. Calls `done` with the text, unless it is empty or the dialog was cancelled. */
function listen(id: string, field: string, done: (text: string) => void): void {
  const element = dialog(id);
  element.addEventListener("close", () => {
    const input = byId<HTMLInputElement>(field);
    const text = input.value.trim();
    if (element.returnValue !== "ok" || text === "") return;
    input.value = "";
    done(text);
  });
}

export function listenToDialogs(mark: (text: string) => void, connect: () => void): void {
  listen("mark-dialog", "mark-text", mark);
  listen("token-dialog", "token", (text) => {
    setToken(text);
    connect();
  });
}

export const openMark = (): void => dialog("mark-dialog").showModal();
export const openHelp = (): void => dialog("help-dialog").showModal();

/** @param why the head's refusal */
export function openToken(why: string): void {
  setText("token-why", why.replace(/^hello: /, ""));
  if (!dialog("token-dialog").open) dialog("token-dialog").showModal();
}
