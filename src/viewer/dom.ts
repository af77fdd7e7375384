export const byId = <T extends HTMLElement = HTMLElement>(id: string): T => document.getElementById(id) as T;

/** Sets the text of an element, only when it is another: screen readers read changes. */
export function setText(id: string, text: string): void {
  const element = byId(id);
  if (element.textContent !== text) element.textContent = text;
}

export const messageOf = (error: unknown): string => (error instanceof Error ? error.message : String(error));
