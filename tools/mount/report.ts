import type { Pose } from "../../src/geometry/optics.ts";
import type { Wheels } from "../../src/link/odometry.ts";
import { type Finding, isFound, type MountReport, type NotSeen } from "../../src/mount/findings.ts";
import type { View, ViewPlan } from "../../src/mount/view.ts";
import { wheelSizes } from "../../src/mount/wheel-sizes.ts";
import type { Setup } from "../../src/sense/events.ts";

const DEGREES = 180 / Math.PI;
const METRES = { scale: 1000, unit: "mm" };
const ANGLE = { scale: DEGREES, unit: "deg" };
const TIME = { scale: 1000, unit: "ms" };

interface Row {
  readonly name: string;
  readonly finding: Finding;
  readonly scale: { readonly scale: number; readonly unit: string };
  readonly digits: number;
  readonly note: string;
}

const rowsOf = (report: MountReport): Row[] => [
  { name: "height", finding: report.height, scale: METRES, digits: 1, note: "lens above the floor" },
  { name: "pitch", finding: report.pitch, scale: ANGLE, digits: 2, note: "nose down" },
  { name: "roll", finding: report.roll, scale: ANGLE, digits: 2, note: "to the right" },
  { name: "yaw", finding: report.yaw, scale: ANGLE, digits: 2, note: "to the left" },
  {
    name: "forward",
    finding: report.forward,
    scale: METRES,
    digits: 1,
    note: "lens ahead of the turning point",
  },
  { name: "sideways", finding: report.sideways, scale: METRES, digits: 1, note: "lens left of it" },
  {
    name: "imu heading",
    finding: report.imuHeading,
    scale: ANGLE,
    digits: 2,
    note: "of its x axis, against the lens",
  },
  { name: "lateness", finding: report.lateness, scale: TIME, digits: 2, note: "orientation after depth" },
];

/** What the drive did not show, by name. */
export function missing(report: MountReport): readonly (readonly [name: string, finding: NotSeen])[] {
  const named: (readonly [string, object])[] = rowsOf(report).map(
    ({ name, finding }) => [name, finding] as const,
  );
  named.push(["imu tilt", report.imu]);
  if (report.range !== null) named.push(["range", report.range]);
  return named.flatMap(([name, finding]) => ("why" in finding ? [[name, finding as NotSeen] as const] : []));
}

/** Wheels of a settings file, which odometry is computed with from a motor board's counts. */
const wheelsOf = (given: Readonly<Record<string, unknown>>): Wheels | null =>
  (given["base"] as { readonly wheels?: Wheels } | undefined)?.wheels ?? null;

/** Sizes of the wheels, and by how much those of the settings file were off. */
function describeWheels(found: MountReport["wheels"], given: Readonly<Record<string, unknown>>): string[] {
  const { radius, track } = wheelSizes(found);
  const wheels = wheelsOf(given);
  const row = (name: string, finding: Finding, assumed: number | null): string[] => {
    if (!isFound(finding)) return [];
    const { value, sigma } = finding;
    const off = `${value > 1 ? "+" : "-"}${(100 * Math.abs(value - 1)).toFixed(2)} % +- ${(196 * sigma).toFixed(2)} (95 %)`;
    if (assumed === null) return [`wheels: the true ${name} is ${off} against that of the odometry`];
    const size = (metres: number): string => `${(1000 * metres).toFixed(2)} mm`;
    return [
      `wheel ${name.padEnd(9)} ${size(value * assumed)}: ${off} against ${size(assumed)} in the settings`,
    ];
  };
  const rows = row("radius", radius, wheels?.radius ?? null);
  if (wheels === null) return [...rows, ...row("track", track, null)];
  if (wheels.kind === "differential") return [...rows, ...row("track", track, wheels.track)];
  if (wheels.kind === "steered") return [...rows, ...row("wheelbase", track, wheels.wheelbase)];
  return rows;
}

/** The wheels of a settings file with the sizes found. */
function correctedWheels(wheels: Wheels, found: MountReport["wheels"]): Wheels {
  const sizes = wheelSizes(found);
  const times = (length: number, finding: Finding): number =>
    Number((length * (isFound(finding) ? finding.value : 1)).toFixed(7));
  const radius = times(wheels.radius, sizes.radius);
  switch (wheels.kind) {
    case "differential":
      return { ...wheels, radius, track: times(wheels.track, sizes.track) };
    case "steered":
      return { ...wheels, radius, wheelbase: times(wheels.wheelbase, sizes.track) };
    default:
      return { ...wheels, radius };
  }
}

/**
 * The report as lines for people.
 * @param given the settings file that the head had during the drive
 */
export function describeReport(
  report: MountReport,
  tape: number | null,
  given: Readonly<Record<string, unknown>> = {},
): string[] {
  const { seen, imu, range, wheels, gravityTilt, slant } = report;
  const lines = [
    `drive        ${seen.frames} frames, ${seen.way.toFixed(1)} m, turned by ${(seen.turned * DEGREES).toFixed(0)} deg in all` +
      `${seen.broken > 0 ? `; ${seen.broken} frames did not fit the path so far` : ""}`,
    "",
    "found              value   1 sigma",
  ];
  const number = (value: number, digits: number): string => value.toFixed(digits).padStart(10);
  for (const { name, finding, scale, digits, note } of rowsOf(report)) {
    if (!isFound(finding)) continue;
    const { value, sigma } = finding;
    const sigmaText = (scale.scale * sigma).toFixed(digits + 1).padStart(9);
    lines.push(
      `${name.padEnd(13)}${number(scale.scale * value, digits)} ${sigmaText} ${scale.unit.padEnd(4)} ${note}`,
    );
  }
  if (isFound(imu)) {
    lines.push(
      `${"imu tilt".padEnd(13)}${"".padStart(10)} ${(imu.tiltSigma * DEGREES).toFixed(3).padStart(9)} deg  lens from imu [${imu.rotation.map((v) => v.toFixed(5)).join(", ")}]`,
    );
  }
  if (isFound(wheels.scale) && isFound(wheels.turnScale)) {
    const percent = (value: number): string =>
      `${value < 1 ? "-" : "+"}${(100 * Math.abs(value - 1)).toFixed(1)} %`;
    lines.push(
      `wheels measure distances ${percent(wheels.scale.value)} and turns ${percent(wheels.turnScale.value)} against depth` +
        `${isFound(wheels.lateness) ? `; their stamps are ${(1000 * wheels.lateness.value).toFixed(0)} ms after depth` : ""}`,
    );
  }
  lines.push(...describeWheels(wheels, given));
  if (gravityTilt !== null) {
    const tilt = gravityTilt * DEGREES;
    lines.push(
      `gravity stands ${tilt.toFixed(2)} deg off the floor's normal: the floor's slope and the accelerometer's bias` +
        `${tilt > 1 ? ". That is a lot: drive on a level floor, and check the calibration of the accelerometer" : ""}`,
    );
  }
  if (range !== null && isFound(range)) {
    const { bias, sigma, measured } = range;
    const isReal = Math.abs(bias) > 3 * sigma;
    lines.push(
      `range        ${(1000 * bias).toFixed(1)} mm +- ${(1000 * sigma).toFixed(1)} at ${tape!.toFixed(3)} m (measured ${measured.toFixed(4)} m): ` +
        `${isReal ? `a bias; it makes the height wrong by about ${(1000 * bias * slant).toFixed(1)} mm with it` : "no bias beyond 3 sigma"}`,
    );
  } else if (tape === null) {
    lines.push(
      "range        not checked: the height assumes that the sensor's range is exact (--tape checks it)",
    );
  }
  const lacking = missing(report);
  if (lacking.length > 0) lines.push("", "not determined by this drive, previous values kept");
  for (const [name, { why, add }] of lacking) lines.push(`${name.padEnd(13)}${why}: ${add}`);
  return lines;
}

/** Seven digits: a tenth of a micrometre. */
export const rounded = ({ rotation, position }: Pose): Pose => ({
  rotation: rotation.map((v) => Number(v.toFixed(9))) as unknown as Pose["rotation"],
  position: position.map((v) => Number(v.toFixed(7))) as unknown as Pose["position"],
});

/** A settings file with the findings inserted; the recording's sensors if it names none. */
export function configWith(
  given: Readonly<Record<string, unknown>>,
  report: MountReport,
  sensor: number,
): Record<string, unknown> {
  const { setup, lateness } = report;
  const own = setup.sensors[sensor]!;
  const listed = given["sensors"] as Setup["sensors"] | undefined;
  const sensors = (listed ?? setup.sensors).map((other) =>
    other.name === own.name && own.mount.on === "base"
      ? { ...other, mount: { on: "base", pose: rounded(own.mount.pose) } }
      : other,
  );
  const before = given["settings"] as Record<string, unknown> | undefined;
  const settings = {
    ...before,
    ...(isFound(lateness) && { "orientation.lateness": Number(lateness.value.toFixed(6)) }),
  };
  const wheels = wheelsOf(given);
  return {
    ...given,
    ...(wheels !== null && {
      base: { ...(given["base"] as object), wheels: correctedWheels(wheels, report.wheels) },
    }),
    sensors,
    baseFromHead: rounded(setup.baseFromHead),
    headFromImu: rounded(setup.headFromImu),
    ...(Object.keys(settings).length > 0 && { settings }),
  };
}

const metres = (value: number): string =>
  value === Number.POSITIVE_INFINITY ? "the horizon" : `${value.toFixed(2)} m`;
const degrees = (value: number): string => `${(value * DEGREES).toFixed(1)} deg`;

/** A plan as lines for people. */
export function describePlan(plan: ViewPlan, view: View, isPitchGiven: boolean): string[] {
  const { height, pitch, speed } = plan;
  const { shallowest, steepest } = view;
  const lines = [
    `lens ${height.toFixed(2)} m above the floor, looking ${degrees(pitch)} down${isPitchGiven ? "" : " (chosen)"}, ${speed.toFixed(2)} m/s`,
    `floor seen      from ${metres(view.near)} to ${metres(view.far)} ahead of the lens`,
    `near blind zone ${view.blind === 0 ? "none" : `${metres(view.blind)} of floor in front of the base is out of view, and known only from memory`}`,
    `stopping        ${metres(view.stopping)}; an edge must be known ${metres(view.needed)} ahead of the lens`,
    `blind speed     ${view.blindSpeed.toFixed(2)} m/s: above it the base relies on memory to stop in time`,
    `pitch           ${degrees(shallowest)} to ${degrees(steepest)}: shallower, the floor where the base would stop is out of view; steeper, objects as high as the base are out of view ${metres(plan.lookout)} away`,
    `pitch error     each degree is ${(1000 * view.heightError).toFixed(0)} mm of floor height there`,
    `dark floors     last return at ${view.dark.map(([rho, distance]) => `${metres(distance)} (${(100 * rho).toFixed(0)} %)`).join(", ")}`,
    `stairs          lower treads of 178 / 279 mm stairs come into view within ${metres(view.treads)} of their edge`,
  ];
  if (shallowest > steepest) {
    lines.push(
      "no pitch meets both conditions: mount the lens at another height, take a lens with a wider view, or change the speed",
    );
  } else if (pitch < shallowest) lines.push("this pitch is too shallow for the speed");
  else if (pitch > steepest) lines.push("this pitch does not show the upper part of obstacles");
  return lines;
}
