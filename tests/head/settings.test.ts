import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import { SETTINGS } from "../../src/head/settings.ts";

/** Bounds of the settings that are texts. */
const TEXTS: Readonly<Record<string, string>> = {
  "body.footprint": "3 corners or more",
  "guard.keepOut": "up to 100 areas",
  "guard.slowIn": "up to 100 zones",
  "map.spots": "up to 100 spots",
};

test("the manual has every setting with its default, its bounds and what it trades", () => {
  const manual = readFileSync(new URL("../../docs/settings.md", import.meta.url), "utf8");
  const rows = manual
    .split("\n")
    .filter((line) => line.startsWith("| `"))
    .map((line) => line.split("|").map((cell) => cell.trim()));
  const told = rows.map(([, name, byDefault, bounds, unit, , trades]) => {
    expect(trades!.length, `what ${name} trades`).toBeGreaterThan(10);
    return [name!.replaceAll("`", ""), byDefault!, bounds!.replaceAll("`", ""), unit!];
  });
  const table = Object.entries(SETTINGS).map(([name, setting]) => {
    const bounds =
      setting.type === "choice"
        ? setting.choices.join(", ")
        : setting.type === "text"
          ? TEXTS[name]!
          : `${setting.min} to ${setting.max}`;
    const unit = "unit" in setting ? (setting.unit === "1" ? "share" : setting.unit) : "";
    return [name, `${setting.default}`, bounds, unit];
  });
  expect(told.toSorted()).toEqual(table.toSorted());
});
