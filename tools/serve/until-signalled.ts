import type { Service } from "../../src/service/service.ts";

/** Ends the service on Ctrl-C or SIGTERM; returns, when it has stopped, whether a signal stopped it. */
export async function untilSignalled(service: Service): Promise<boolean> {
  let isSignalled = false;
  for (const signal of ["SIGINT", "SIGTERM"] as const) {
    process.once(signal, () => {
      isSignalled = true;
      void service.stop(signal);
    });
  }
  await service.stopped;
  return isSignalled;
}
