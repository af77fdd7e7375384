/** Paths in src, without their endings. */
export const KERNELS: readonly string[];
/** The text of <path>-kernel.ts. */
export function kernelSource(path: string): Promise<string>;
