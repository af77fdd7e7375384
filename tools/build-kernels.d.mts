/** The text of src/map/pyramid-kernel.ts. */
export function kernelSource(): Promise<string>;
