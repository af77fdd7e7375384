/** A scenario that cannot be run; the message names the field, the value and what to write instead. */
export class ScenarioError extends Error {
  override readonly name = "ScenarioError";
}

const show = (value: unknown): string => {
  const text = value === undefined ? "nothing" : JSON.stringify(value);
  return text.length > 60 ? `${text.slice(0, 57)}...` : text;
};

interface NumbersOptions {
  readonly min: number;
  readonly max: number;
  /** Taken when the field is absent; without one the field is required. */
  readonly fallback?: readonly number[] | undefined;
}

/** Reads the fields of one JSON object; `done` refuses those that were not read. */
export class Fields {
  readonly path: string;
  readonly #object: Record<string, unknown>;
  readonly #asked = new Set<string>(["note"]);

  constructor(value: unknown, path: string) {
    if (typeof value !== "object" || value === null || Array.isArray(value)) {
      throw new ScenarioError(`${path || "scenario"}: got ${show(value)}; give an object { ... }`);
    }
    this.path = path;
    this.#object = value as Record<string, unknown>;
  }

  at(name: string): string {
    return this.path ? `${this.path}.${name}` : name;
  }

  #get(name: string): unknown {
    this.#asked.add(name);
    return this.#object[name];
  }

  fail(name: string, fix: string): never {
    throw new ScenarioError(`${this.at(name)}: got ${show(this.#object[name])}; ${fix}`);
  }

  has(name: string): boolean {
    return this.#get(name) !== undefined;
  }

  isNull(name: string): boolean {
    return this.#get(name) === null;
  }

  /** A finite number from `min` to `max`; `fallback` when absent, and required without one. */
  number(name: string, min: number, max: number, fallback?: number): number {
    const value = this.#get(name) ?? fallback;
    if (typeof value === "number" && value >= min && value <= max) return value;
    return this.fail(name, `give a number from ${min} to ${max}`);
  }

  whole(name: string, min: number, max: number, fallback?: number): number {
    const value = this.number(name, min, max, fallback);
    return Number.isInteger(value) ? value : this.fail(name, `give a whole number from ${min} to ${max}`);
  }

  text(name: string, fallback?: string): string {
    const value = this.#get(name) ?? fallback;
    return typeof value === "string" ? value : this.fail(name, "give a text");
  }

  flag(name: string, fallback: boolean): boolean {
    const value = this.#get(name) ?? fallback;
    return typeof value === "boolean" ? value : this.fail(name, "give true or false");
  }

  choice<T extends string>(name: string, of: readonly T[], fallback?: T): T {
    const value = this.#get(name) ?? fallback;
    const found = of.find((one) => one === value);
    return found ?? this.fail(name, `give one of ${of.map((one) => `"${one}"`).join(", ")}`);
  }

  /** Exactly `count` finite numbers from `min` to `max`. */
  numbers(name: string, count: number, { min, max, fallback }: NumbersOptions): number[] {
    const value = this.#get(name) ?? fallback;
    const good =
      Array.isArray(value) &&
      value.length === count &&
      value.every((v) => typeof v === "number" && v >= min && v <= max);
    return good ? (value as number[]) : this.fail(name, `give ${count} numbers from ${min} to ${max} in [ ]`);
  }

  pair(name: string, min: number, max: number, fallback?: readonly [number, number]): [number, number] {
    const [a = 0, b = 0] = this.numbers(name, 2, { min, max, fallback });
    return [a, b];
  }

  triple(
    name: string,
    min: number,
    max: number,
    fallback?: readonly [number, number, number],
  ): [number, number, number] {
    const [a = 0, b = 0, c = 0] = this.numbers(name, 3, { min, max, fallback });
    return [a, b, c];
  }

  /** min x, min y, max x, max y. */
  rect(name: string): [number, number, number, number] {
    const [x0 = 0, y0 = 0, x1 = 0, y1 = 0] = this.numbers(name, 4, { min: -1e4, max: 1e4 });
    if (x0 >= x1 || y0 >= y1) this.fail(name, "give [min x, min y, max x, max y] with max above min");
    return [x0, y0, x1, y1];
  }

  /** Reads each entry of a list; an absent list is empty unless `least` asks for more. */
  list<T>(name: string, least: number, read: (value: unknown, path: string) => T): T[] {
    const value = this.#get(name) ?? [];
    if (!Array.isArray(value) || value.length < least) {
      return this.fail(name, `give a list of ${least} or more in [ ]`);
    }
    if (value.length > 100_000) this.fail(name, "give at most 100000 entries");
    return value.map((entry: unknown, i) => read(entry, `${this.at(name)}[${i}]`));
  }

  /** The object in this field; an absent one reads as empty, so that its fields give their own defaults. */
  object(name: string): Fields {
    return new Fields(this.#get(name) ?? {}, this.at(name));
  }

  /** Every entry of an object used as a table. */
  entries(name: string): [string, unknown][] {
    const value = new Fields(this.#get(name) ?? {}, this.at(name));
    return Object.entries(value.#object).filter(([key]) => key !== "note");
  }

  /** @throws {ScenarioError} for an unread field, so that a misspelt name is noticed */
  done(): void {
    for (const name of Object.keys(this.#object)) {
      if (!this.#asked.has(name)) {
        const known = [...this.#asked].sort().join(", ");
        throw new ScenarioError(`${this.at(name)}: no such field; remove it or use one of ${known}`);
      }
    }
  }
}
