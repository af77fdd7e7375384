/** A keyboard shortcut of the page. */
export interface KeyBinding {
  /** The key in lower case; with "shift+" before a letter. */
  readonly key: string;
  readonly help: string;
  /** Id of the button or field with the same function, if any. It gets the shortcut as `aria-keyshortcuts` and in its tooltip. */
  readonly control?: string;
  readonly run: () => unknown;
}

/** The name of a key for people and for `aria-keyshortcuts`: "P", "Shift+N". */
const nameOf = (key: string): string =>
  key.replace(/^shift\+/, "Shift+").replace(/[a-z]$/, (letter) => letter.toUpperCase());

/** Listens to the keys everywhere except in text fields and dialogs. */
export function listenToKeys(bindings: readonly KeyBinding[]): void {
  const byKey = new Map(bindings.map((binding) => [binding.key, binding]));
  for (const { key, control } of bindings) {
    const element = control === undefined ? null : document.getElementById(control);
    if (element === null) continue;
    element.setAttribute("aria-keyshortcuts", nameOf(key));
    const explained = element.closest<HTMLElement>("[title]");
    if (explained !== null) explained.title += ` (${nameOf(key)})`;
  }
  document.addEventListener("keydown", (event) => {
    const target = event.target as HTMLElement;
    const isTyping = target.matches(
      "input:not([type=range]):not([type=radio]):not([type=checkbox]), textarea, select",
    );
    if (isTyping || event.ctrlKey || event.metaKey || event.altKey) return;
    if (document.querySelector("dialog[open]") !== null) return;
    const letter = event.key.toLowerCase();
    const binding = byKey.get(event.shiftKey && /^[a-z]$/.test(letter) ? `shift+${letter}` : letter);
    if (binding === undefined) return;
    event.preventDefault();
    binding.run();
  });
}

/** Fills a `dl` with the keys. Keys with the same help share a row. */
export function listKeys(list: HTMLElement, bindings: readonly KeyBinding[]): void {
  const rows = new Map<string, string[]>();
  for (const { key, help } of bindings) rows.set(help, [...(rows.get(help) ?? []), nameOf(key)]);
  list.replaceChildren(
    ...[...rows].map(([help, names]) => {
      const row = document.createElement("div");
      const term = document.createElement("dt");
      term.append(
        ...names.flatMap((name) => {
          const key = document.createElement("kbd");
          key.textContent = name;
          return [key, " "];
        }),
      );
      const text = document.createElement("dd");
      text.textContent = help;
      row.append(term, text);
      return row;
    }),
  );
}
