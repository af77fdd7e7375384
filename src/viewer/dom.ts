export const byId = <T extends HTMLElement = HTMLElement>(id: string): T => document.getElementById(id) as T;

/** Sets the text of an element if it differs: screen readers announce every change. */
export function setText(id: string, text: string): void {
  const element = byId(id);
  if (element.textContent !== text) element.textContent = text;
}

export const messageOf = (error: unknown): string => (error instanceof Error ? error.message : String(error));
