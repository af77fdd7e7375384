/** The language's own; its types come with a browser's or Node's, of which the core has neither. */
declare const WebAssembly: {
  Memory: new (size: { initial: number; maximum: number }) => { readonly buffer: ArrayBuffer };
  Module: new (bytes: Uint8Array) => object;
  Instance: new (module: object, imports: object) => { readonly exports: unknown };
};
const PAGE = 65536;
const ALIGNED = 16;
const modules = new Map<string, object>();

/**
 * A WebAssembly module and its memory, of fixed size, in which arrays are laid out one after the other. Such modules do what
 * every pixel of an image needs, eight at a time; what they export takes addresses, which are the arrays' byte offsets.
 */
export class Kernel<Exports> {
  readonly call: Exports;
  /** Its memory. */
  readonly buffer: ArrayBuffer;
  #used = 0;

  /**
   * @param digits the module, as `npm run generate` writes it
   * @param bytes  of all the arrays together, each a multiple of 16
   */
  constructor(digits: string, bytes: number) {
    const pages = Math.ceil(bytes / PAGE);
    const memory = new WebAssembly.Memory({ initial: pages, maximum: pages });
    let module = modules.get(digits);
    if (module === undefined) {
      module = new WebAssembly.Module(
        Uint8Array.from(digits.match(/../g)!, (pair) => Number.parseInt(pair, 16)),
      );
      modules.set(digits, module);
    }
    this.buffer = memory.buffer;
    this.call = new WebAssembly.Instance(module, { kernel: { memory } }).exports as Exports;
  }

  /** Reserves bytes, zeros, at a multiple of 16, and returns their address. @throws {RangeError} if there are none left */
  take(bytes: number): number {
    const at = this.#used;
    this.#used += roomFor(bytes);
    if (this.#used > this.buffer.byteLength) throw new RangeError(`no room for ${bytes} bytes`);
    return at;
  }
}

/** Bytes that an array takes in the kernel's memory. */
export const roomFor = (bytes: number): number => Math.ceil(bytes / ALIGNED) * ALIGNED;
