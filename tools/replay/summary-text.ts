import type { TrackNote } from "../../src/track/frame.ts";
import type { ReplaySummary } from "./run.ts";

/** The summary as lines for people. */
export function describe(summary: ReplaySummary): string {
  const { map, heldOut, trajectoryError } = summary;
  const times = summary.recorded / summary.taken;
  const skipped = Object.entries(summary.skipped).map(([why, count]) => `${count} ${why}`);
  // Frames that were placed but seen nothing make no area.
  const density = map.area > 0 ? `, ${(map.size / 1000 / map.area).toFixed(1)} kB/m2` : "";
  const lines = [
    `recording   ${summary.recorded.toFixed(1)} s, ${summary.events} events, ${summary.frames} frames mapped` +
      `${skipped.length > 0 ? `, left out: ${skipped.join(", ")}` : ""}` +
      `${summary.missed > 0 ? `, ${summary.missed} never arrived` : ""}` +
      `${summary.damage > 0 ? `, ${summary.damage} damaged parts skipped` : ""}`,
    `speed       ${summary.taken.toFixed(2)} s taken, ${times.toFixed(1)} times real time; ` +
      `a frame takes the head ${summary.frameMedian.toFixed(2)} ms (99 % under ${summary.frame99.toFixed(2)} ms)`,
    `map         ${map.area.toFixed(1)} m2 seen, ${map.blockedArea.toFixed(1)} m2 of it blocked; ${map.blocks} blocks, ` +
      `${(map.size / 1024).toFixed(0)} kB${density}`,
    Number.isNaN(map.floorMean)
      ? "floor       none seen"
      : `floor       mean height ${(1000 * map.floorMean).toFixed(1)} mm, spread ${(1000 * map.floorDeviation).toFixed(1)} mm`,
  ];
  if (heldOut !== null) {
    const { frames, pixels, medianError, within5cm, answered } = heldOut;
    const scores = Number.isNaN(medianError)
      ? "the map predicts none of them"
      : `median depth error ${(1000 * medianError).toFixed(1)} mm, ${(100 * within5cm).toFixed(1)} % within 5 cm along the ray, ` +
        `${(100 * answered).toFixed(1)} % predicted`;
    lines.push(`held out    ${frames} frames, ${pixels} pixels: ${scores}`);
  }
  if (trajectoryError !== null) {
    const { aligned, unaligned, relativeTranslation, relativeRotation, way } = trajectoryError;
    const mm = (metres: number) => `${(1000 * metres).toFixed(1)} mm`;
    const deg = (radians: number) => `${((180 * radians) / Math.PI).toFixed(2)} deg`;
    lines.push(
      `trajectory  absolute error, aligned: rms ${mm(aligned.rmse)}, worst ${mm(aligned.max)}; ` +
        `not aligned: rms ${mm(unaligned.rmse)}, worst ${mm(unaligned.max)}`,
      `            relative error over 1 s: rms ${mm(relativeTranslation.rmse)}, ${deg(relativeRotation.rmse)}; ` +
        `after ${way.toFixed(1)} m off by ${mm(trajectoryError.endDistance)}, ${deg(trajectoryError.endAngle)}`,
    );
  }
  const holds = Object.entries(summary.holds);
  if (holds.length > 0) {
    lines.push(`tracking    ${holds.map(([hold, count]) => `${count} frames ${hold}`).join(", ")}`);
    for (const { time, note } of summary.notes) {
      lines.push(`            at ${(time / 1e6).toFixed(2)} s: ${describeNote(note)}`);
    }
  }
  lines.push(`hash        ${summary.hash}`);
  return lines.join("\n");
}

function describeNote(note: TrackNote): string {
  const deg = (radians: number) => `${((180 * radians) / Math.PI).toFixed(1)} deg`;
  switch (note.what) {
    case "lost":
      return "lost";
    case "found":
      return `found again, ${note.distance.toFixed(2)} m from where it was lost`;
    case "loop closed":
      return `loop closed over ${note.way.toFixed(1)} m: corrected by ${note.distance.toFixed(2)} m, ${deg(note.angle)}`;
    case "place found":
      return "the place of the earlier run is recognised: its map is continued";
    case "yaw jump":
      return `the orientation's yaw jumped by ${deg(note.angle)}, not followed`;
    case "odometry disagrees":
      return `odometry disagrees with depth by ${note.distance.toFixed(2)} m, ${deg(note.angle)} over the last second`;
    default:
      return note satisfies never;
  }
}
