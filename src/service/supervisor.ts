import { spawn } from "node:child_process";

/** Tells a supervisor of the state; systemd's own notifier does, since Node has no datagram sockets of that kind. */
function notify(environment: NodeJS.ProcessEnv, ...states: string[]): void {
  const child = spawn("systemd-notify", states, { env: environment, stdio: "ignore" });
  child.on("error", () => {}); // no systemd here after all
  child.unref();
}

/**
 * Under systemd (Type=notify): says ready, and while `isAlive` says so, that it is alive, twice as often as it must.
 * Source: sd_notify(3), sd_watchdog_enabled(3). Does nothing elsewhere.
 * @returns ends it, and says that the service stops
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
