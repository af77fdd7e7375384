import { expect } from "vitest";
import { Dice } from "../../src/simulate/home/dice.ts";
import { generateHome, ReachableGround } from "../../src/simulate/home.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import type { ClockedHead } from "../../tools/lab/obey/clocked-head.ts";
import { drive, type Moment } from "../../tools/lab/obey/drive.ts";
import { DEFAULT_KNOBS, turned } from "../../tools/lab/obey/knobs.ts";
import { rigOf } from "../../tools/lab/obey/rig.ts";
import { inHeadsWorld, PRICES, Seeker } from "../../tools/lab/obey/seeker.ts";
import { slowTest } from "../helpers/slow.ts";

/** Metres from obstacles and edges at goals, and from the start. */
const CLEAR = 0.5;
const FAR = [1.5, 3.5] as const;

/** A place on the floor of a home that wheels reach from a start. */
function goalIn(seed: number, from: readonly [number, number]): readonly [number, number] {
  const still = loadScenario({ ...generateHome(seed).json, moving: [] }).scene;
  const goals = [...new ReachableGround(still, from).cells()].filter(({ x, y, toBlocked, toGone, z }) => {
    const far = Math.hypot(x - from[0], y - from[1]);
    return z === 0 && Math.min(toBlocked, toGone) > CLEAR && far > FAR[0] && far < FAR[1];
  });
  const { x, y } = new Dice(seed, 12).pick(goals);
  return [x, y];
}

slowTest(
  "in homes unknown at the start, a base that asks for the way and follows it falls nowhere, touches nothing, and is where it says it arrived",
  () => {
    const arrived: number[] = [];
    const report: string[] = [];
    for (const home of [11, 12, 13, 14]) {
      const knobs = turned(DEFAULT_KNOBS, [
        `home=${home}`,
        "seconds=100",
        "imu=fused",
        "cameras=front and sides",
        "acceleration=1",
      ]);
      const rig = rigOf(knobs);
      const goal = goalIn(home, [rig.at.x, rig.at.y]);
      const seekers: Seeker[] = [];
      const openDriver = (head: ClockedHead): Seeker => {
        seekers.push(new Seeker(head, rig, { to: inHeadsWorld(rig, goal), ...PRICES }));
        return seekers[0]!;
      };
      let left = Number.POSITIVE_INFINITY;
      const watch = ({ base }: Moment): void => {
        left = Math.hypot(base.x - goal[0], base.y - goal[1]);
      };
      const { fall, contacts, time, last } = drive(knobs, { rig, openDriver, watch });
      const { hasArrived } = seekers[0]!;
      report.push(`home ${home}: ${left.toFixed(3)} m left after ${time.toFixed(1)} s, ${last}`);
      expect(fall, report.at(-1)).toBeNull();
      expect(contacts, report.at(-1)).toEqual([]);
      if (!hasArrived) continue;
      arrived.push(home);
      expect(left, report.at(-1)).toBeLessThan(0.05);
    }
    // In home 11 the pace does not permit turns that the first ways need: the base learns where, and goes round, which may take longer.
    expect(arrived, report.join("; ")).toEqual(expect.arrayContaining([12, 13, 14]));
  },
  300_000,
);
