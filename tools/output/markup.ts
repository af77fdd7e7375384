/** A text as content or attribute of HTML and SVG. */
export function escapeText(text: string): string {
  const names: Record<string, string> = {
    "&": "&amp;",
    "<": "&lt;",
    ">": "&gt;",
    '"': "&quot;",
    "'": "&#39;",
  };
  return text.replace(/[&<>"']/g, (sign) => names[sign]!);
}
