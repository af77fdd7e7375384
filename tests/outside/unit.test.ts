import { spawnSync } from "node:child_process";
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { expect } from "vitest";
import { testWith } from "../helpers/needs.ts";

const UNIT = fileURLToPath(new URL("../../tools/serve/brinkmap.service", import.meta.url));
const analyze = (...args: string[]) => spawnSync("systemd-analyze", args, { encoding: "utf8" });
const canAnalyze = (): string | null =>
  analyze("security", "--help").status === 0 ? null : "systemd-analyze (Debian's systemd)";

testWith(canAnalyze, "the systemd unit exposes no more than 2.5 by systemd's own measure", () => {
  // Source: systemd-analyze(1), security: 0 is best, 10 is a service without any restriction. The tool scales it by ten here.
  const { status, stdout } = analyze("security", "--offline=true", "--threshold=25", UNIT);
  expect(stdout).toMatch(/Overall exposure level for brinkmap\.service: [0-9.]+/);
  expect(status).toBe(0);
});

testWith(
  canAnalyze,
  "the systemd unit lets the head reach its cameras, its folder and its supervisor",
  () => {
    const unit = readFileSync(UNIT, "utf8");
    // These would hide what the head cannot do without.
    expect(unit).not.toMatch(/^(PrivateDevices|PrivateNetwork|MemoryDenyWriteExecute)=yes/m);
    for (const line of [
      "DeviceAllow=char-video4linux rw",
      "DeviceAllow=char-iio rw",
      "StateDirectory=brinkmap",
      "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX AF_NETLINK",
    ]) {
      expect(unit).toContain(`\n${line}\n`);
    }
  },
);
