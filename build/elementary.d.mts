/** The text of src/geometry/elementary-port.ts, made from the packages. */
export function portSource(): Promise<string>;
