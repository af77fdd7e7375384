/** Key in the session storage, which is cleared when the window is closed. */
const KEY = "token";

export const token = (): string | null => sessionStorage.getItem(KEY);
export const setToken = (text: string): void => sessionStorage.setItem(KEY, text);

/** Headers of a request to the head. */
export function authorization(): Record<string, string> {
  const known = token();
  return known === null ? {} : { authorization: `Bearer ${known}` };
}
