import { spawn } from "node:child_process";

/** Notifies the supervisor, through systemd's own program, because Node has no datagram Unix sockets. */
function notify(environment: NodeJS.ProcessEnv, ...states: string[]): void {
  const child = spawn("systemd-notify", states, { env: environment, stdio: "ignore" });
  child.on("error", () => {}); // systemd is not installed
  child.unref();
}

/**
 * Under systemd (Type=notify): reports ready, and then alive at twice the required rate while `isAlive` is true. Without systemd it does
 * nothing. Source: sd_notify(3), sd_watchdog_enabled(3).
 * @returns a function that ends the reports, and reports that the service stops
 */
export function superviseBySystemd(environment: NodeJS.ProcessEnv, isAlive: () => boolean): () => void {
  if (environment["NOTIFY_SOCKET"] === undefined) return () => {};
  notify(environment, "--ready");
  const limit = Number(environment["WATCHDOG_USEC"] ?? Number.NaN) / 1000;
  const timer = Number.isFinite(limit)
    ? setInterval(() => {
        if (isAlive()) notify(environment, "WATCHDOG=1");
      }, limit / 2)
    : undefined;
  return () => {
    clearInterval(timer);
    notify(environment, "--stopping");
  };
}
