import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { expect } from "vitest";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { openRecording } from "../../src/record/file.ts";
import { END, FOOTING } from "../../src/terms/safety.ts";
import { main as importData } from "../../tools/import.ts";
import { settingsOf } from "../../tools/replay/run.ts";
import { sharedData, testWith } from "../helpers/needs.ts";

// Office: 50 frames of a hand-held structured-light camera (sample of the 3DMatch toolbox, Princeton). Living room: 211
// ray-traced frames (Handa et al. 2014; Choi, Zhou & Koltun 2015). Neither room has a drop; both have things on the floor.
const SETS = [
  {
    name: "office",
    frames: 50,
    source: (data: string) => [
      ...["png", `${data}/depth-office/frames`, "--files", "frame-{n}.depth.png"],
      ...["--fx", "570.342205", "--fy", "570.342205", "--cx", "320", "--cy", "240"],
      ...["--poses", `${data}/depth-office/frames/frame-{n}.pose.txt`, "--up", "y", "--floor=-0.39"],
    ],
  },
  {
    name: "living room",
    frames: 211,
    source: (data: string) => [
      ...[
        "png",
        `${data}/depth-living-room/depth`,
        "--fx",
        "525",
        "--fy",
        "525",
        "--cx",
        "319.5",
        "--cy",
        "239.5",
      ],
      ...["--floor", "0.134", "--far", "5", "--poses", `${data}/depth-living-room/poses_refined_zup.csv`],
    ],
  },
];

for (const { name, frames, source } of SETS) {
  testWith("open-data", `${name}: no drop is seen in any frame, and floor is`, async () => {
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-footing-"));
    try {
      const file = join(folder, "room.brk");
      expect(await importData([...source(sharedData()!), "-o", file])).toBe(0);
      const recording = await openRecording(file);
      const head = new Head(
        recording.header.setup,
        resolveSettings({ ...settingsOf(recording.header), "map.maxRange": 5 }),
      );
      head.take({ kind: "shed", time: 0, level: 16 }); // the guard alone
      let seen = 0;
      const wrong: number[] = [];
      for (const event of recording.events()) {
        for (const output of head.take(event)) {
          if (output.kind !== "glance") continue;
          seen++;
          expect(output.sight).toBe("clear");
          if (output.ends.includes(END.brink)) wrong.push(output.sequence);
        }
      }
      recording.close();
      expect(seen).toBe(frames);
      expect(wrong).toEqual([]);
      const cells = [0, 0, 0, 0, 0];
      head.footing.visit((_i, _j, footing) => cells[footing]!++);
      console.log(`${name}: ${cells[FOOTING.firm]} cells of 5 cm firm, ${cells[FOOTING.gone]} gone`);
      expect(cells[FOOTING.firm]).toBeGreaterThan(800);
      expect(cells[FOOTING.gone]).toBe(0);
    } finally {
      rmSync(folder, { recursive: true });
    }
  });
}
