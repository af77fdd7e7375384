/** Kept until the window is closed, for this head only. */
const KEY = "token";

export const token = (): string | null => sessionStorage.getItem(KEY);
export const setToken = (text: string): void => sessionStorage.setItem(KEY, text);

/** What a request to the head carries. */
export function authorization(): Record<string, string> {
  const known = token();
  return known === null ? {} : { authorization: `Bearer ${known}` };
}
