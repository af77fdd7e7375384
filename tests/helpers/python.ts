import { spawnSync } from "node:child_process";

/** Debian's own interpreter: it is the one that sees the python3-* packages. BRINKMAP_PYTHON names another. */
export const PYTHON = process.env["BRINKMAP_PYTHON"] ?? "/usr/bin/python3";

/**
 * Runs a Python script and returns what it printed.
 *
 * @param script source text, as after `python3 -c`
 * @param args   become sys.argv[1:]
 * @param input  goes to standard input; text is UTF-8
 * @throws {Error} with the interpreter's own error text when it cannot start or ends with another code than 0
 */
export function runPython(
  script: string,
  args: readonly string[] = [],
  input: string | Uint8Array = "",
): string {
  const run = spawnSync(PYTHON, ["-c", script, ...args], { input, maxBuffer: 2 ** 30 });
  if (run.error) throw new Error(`${PYTHON} did not start: ${run.error.message}`);
  if (run.status !== 0) throw new Error(`${PYTHON} ended with ${run.status ?? run.signal}:\n${run.stderr}`);
  return run.stdout.toString("utf8");
}
