import { chmodSync, existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { delimiter, join } from "node:path";
import { expect, test } from "vitest";
import { superviseBySystemd } from "../../src/service/supervisor.ts";
import { until } from "../helpers/live.ts";

test("systemd hears ready, then alive for as long as the head is, then stopping", async () => {
  const folder = mkdtempSync(join(tmpdir(), "systemd-"));
  const log = join(folder, "log");
  // A stand-in that writes down what it is told.
  writeFileSync(join(folder, "systemd-notify"), `#!/bin/sh\necho "$@" >> ${log}\n`);
  chmodSync(join(folder, "systemd-notify"), 0o755);
  const environment = {
    NOTIFY_SOCKET: join(folder, "socket"),
    WATCHDOG_USEC: "200000",
    PATH: `${folder}${delimiter}${process.env["PATH"]}`,
  };
  const lines = () => (existsSync(log) ? readFileSync(log, "utf8").trim().split("\n") : []);
  let isAlive = true;
  const end = superviseBySystemd(environment, () => isAlive);
  await until(() => lines().filter((line) => line === "WATCHDOG=1").length >= 2);
  expect(lines()).toContain("--ready");
  isAlive = false;
  // Absence can only be shown by waiting. A notification that was begun before ends within 0.3 s; then none comes for 0.4 s, in which a
  // head that is alive sends four.
  await new Promise((resolve) => setTimeout(resolve, 300));
  const count = lines().length;
  await new Promise((resolve) => setTimeout(resolve, 400));
  expect(lines().length).toBe(count);
  end();
  await until(() => lines().includes("--stopping"));
  rmSync(folder, { recursive: true });
});
