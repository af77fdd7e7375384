import { type ChildProcess, spawn } from "node:child_process";
import { constants, setPriority } from "node:os";
import { fileURLToPath } from "node:url";

// From the source and from dist/tools/demo alike.
const SCRIPT = fileURLToPath(
  import.meta.url.endsWith(".ts")
    ? new URL("../../dist/tools/demo/render.js", import.meta.url)
    : new URL("./render.js", import.meta.url),
);

/** Renders the demo in a process of its own, with less priority than a head that runs meanwhile. */
export class RenderApart {
  readonly #child: ChildProcess;
  /** Resolves with its exit code; null when it was ended. */
  readonly ended: Promise<number | null>;

  /** @param scenario path of the scenario; @param folder of the recording, which is there */
  constructor(scenario: string, folder: string) {
    // Its progress and errors are shown here.
    this.#child = spawn(process.execPath, [SCRIPT, scenario, folder], { stdio: "inherit" });
    this.ended = new Promise((resolve) => {
      this.#child.on("exit", (code) => resolve(code));
      this.#child.on("error", () => resolve(1));
    });
    try {
      if (this.#child.pid !== undefined)
        setPriority(this.#child.pid, constants.priority.PRIORITY_BELOW_NORMAL);
    } catch {
      // It has ended already, or the system does not permit it. Then it only renders with the usual priority.
    }
  }

  end(): void {
    this.#child.kill("SIGTERM");
  }
}
