import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import { transformPoint } from "../../src/geometry/rigid.ts";
import { lensPose } from "../../src/simulate/attitude.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { lensRays } from "../../src/simulate/lens.ts";
import { loadScenario, type Scenario } from "../../src/simulate/scenario.ts";

const json = (name: string): { sensors: object[]; [more: string]: unknown } =>
  JSON.parse(readFileSync(new URL(`../../datasets/${name}.json`, import.meta.url), "utf8"));

/** Whether the base's outline hits anything along its way. */
function bumps({ scene, drive, bumper }: Scenario): number {
  let count = 0;
  for (let time = 0; time < drive.duration; time += 0.05) {
    const base = drive.poseAt(time);
    for (const x of [-bumper.x, 0, bumper.x]) {
      for (const y of [-bumper.halfWidth, bumper.halfWidth]) {
        const [px, py, pz] = transformPoint(base, [x, y, 0.1]);
        if (scene.solidAt(px, py, pz, time)) count++;
      }
    }
  }
  return count;
}

test.each(["pottery-studio", "yard-room", "hall-1000", "mounting-drive"])(
  "%s can be driven without touching anything",
  (name) => {
    const scenario = loadScenario(json(name));
    expect(bumps(scenario)).toBe(0);
    // Origin where the base starts, x ahead: the world of a head that begins there.
    const start = scenario.drive.poseAt(0);
    start.position.forEach((c) => {
      expect(c).toBeCloseTo(0, 6);
    });
    expect(start.rotation[3]).toBeCloseTo(1, 6);
  },
);

test("the hall has more than 1000 square metres of floor and its lanes pass within 4 m of all of it", () => {
  const { scene, drive } = loadScenario(json("hall-1000"));
  const path = Array.from({ length: 500 }, (_, k) => drive.poseAt((k / 499) * drive.duration).position);
  let floor = 0;
  for (let x = -3; x < 43; x += 0.5) {
    for (let y = -3; y < 23; y += 0.5) {
      const isInside = scene.cast(x, y, 3.9, 0, 0, -1, 0) < 3.95 && !scene.solidAt(x, y, 3.5, 0);
      if (!isInside || scene.cast(x, y, 3.9, 1, 0, 0, 0) === Infinity) continue;
      floor += 0.25;
      const nearest = Math.min(...path.map(([px, py]) => Math.hypot(px - x, py - y)));
      expect(nearest).toBeLessThan(4);
    }
  }
  expect(floor).toBeGreaterThan(1000);
});

test("every exact return of the furnished room lies on a solid, with nothing solid before it", () => {
  const room = json("yard-room");
  const sensors = [{ ...room.sensors[0], rate: 0.25 }];
  const scenario = loadScenario({ ...room, sensors }, { exact: true });
  const { scene, setup, drive } = scenario;
  const { optics } = setup.sensors[0]!;
  const rays = lensRays(optics, 1).centre;
  let checked = 0;
  for (const event of simulateEvents(scenario)) {
    if (event.kind !== "depth") continue;
    const pose = lensPose(setup, 0, drive.poseAt(event.time / 1e6));
    for (let i = 0; i < event.counts.length; i += 7) {
      if (event.counts[i] === 0) continue;
      const at = (z: number): [number, number, number] => {
        const scale = z / rays[3 * i + 2]!;
        const [x, y, w] = transformPoint(pose, [rays[3 * i]! * scale, rays[3 * i + 1]! * scale, z]);
        return [x, y, w];
      };
      const z = event.counts[i]! * optics.unit;
      const point = at(z);
      const half = optics.unit; // the count is rounded
      const around = (side: number): [number, number, number] => [
        point[0] + side * half,
        point[1] + side * half,
        point[2] + side * half,
      ];
      expect(scene.overlapsBox(around(-1), around(1), 0)).toBeGreaterThan(0);
      for (const share of [0.3, 0.7, 0.95]) expect(scene.solidAt(...at(z * share), 0)).toBe(false);
      checked++;
    }
  }
  expect(checked).toBeGreaterThan(5000);
});

test("a laser on the base and a camera on the head see the same wall from where each is mounted", () => {
  const room = json("yard-room");
  const [camera] = room.sensors;
  const laser = {
    name: "laser",
    rate: 5,
    optics: { model: "scan", width: 91, firstAngle: -45, step: 1, minRange: 0.05, maxRange: 8 },
    mount: { on: "base", position: [0.15, 0, 0.12] },
  };
  const scene = [
    { shape: "floor", material: "boards", rect: [-2, -5, 5, 5] },
    { shape: "box", material: "wall", at: [2.5, 0], size: [0.2, 8, 2] },
  ];
  const drive = { points: [{ at: [0, 0] }, { at: [0.5, 0] }] };
  const scenario = loadScenario({ ...room, scene, drive, sensors: [camera, laser] }, { exact: true });
  const frames = [...simulateEvents(scenario)].filter((event) => event.kind === "depth");
  const scan = frames.find((event) => event.sensor === 1)!;
  const image = frames.find((event) => event.sensor === 0)!;
  expect(scan.time).toBe(image.time);
  for (const [i, angle] of [-45, 0, 30].map((degrees) => [degrees + 45, degrees] as const)) {
    const expected = (2.4 - 0.15) / Math.cos((angle * Math.PI) / 180);
    expect(Math.abs(scan.counts[i]! * 0.001 - expected)).toBeLessThan(0.00051);
  }
  // The camera is at x 0.12, 18 degrees down, z-depth: 18 degrees above its axis it looks level at the wall.
  const { optics } = scenario.setup.sensors[0]!;
  if (optics.model !== "pinhole") throw new Error("the room's camera is a pinhole");
  const row = Math.round(optics.cy - optics.fy * Math.tan((18 * Math.PI) / 180));
  const down = (18 * Math.PI) / 180 - Math.atan((optics.cy - row) / optics.fy);
  const level = (2.4 - 0.12) / Math.cos(down);
  const depth = level * Math.cos((18 * Math.PI) / 180 - down);
  const column = Math.round(optics.cx);
  expect(Math.abs(image.counts[row * optics.width + column]! * 0.001 - depth)).toBeLessThan(0.001);
});
