import { chmodSync, existsSync, mkdirSync, symlinkSync, writeFileSync } from "node:fs";
import { join } from "node:path";

/** A program named v4l2-ctl: lists formats, and streams a room as a lens sees it 0.31 m above the floor, 15 degrees down. */
const PROGRAM = `#!${process.execPath}
const { existsSync, writeFileSync } = require("node:fs");
const [width, height, focal] = [160, 120, 110];
const args = process.argv.slice(2).join(" ");
if (args.includes("--list-formats-ext")) {
  const format = args.includes("video0") ? "'YUYV' (YUYV 4:2:2)" : "'Z16 ' (16-bit Depth)";
  console.log("ioctl: VIDIOC_ENUM_FMT\\n\\tType: Video Capture\\n\\n\\t[0]: " + format);
  console.log("\\t\\tSize: Discrete 160x120\\n\\t\\t\\tInterval: Discrete 0.033s (30.000 fps)\\n\\t\\tSize: Discrete 1280x720");
  process.exit();
}
const { STOPS_AFTER, STOPPED, COVERED } = process.env;
const gone = () => { console.error("VIDIOC_DQBUF: No such device"); process.exit(1); };
if (STOPPED !== undefined && existsSync(STOPPED)) gone();
let frames = 0;
setInterval(() => {
  if (STOPPED !== undefined && frames >= Number(STOPS_AFTER)) { writeFileSync(STOPPED, ""); gone(); }
  frames++;
  const counts = new Uint16Array(width * height);
  const pitch = (15 * Math.PI) / 180;
  const isCovered = COVERED !== undefined && existsSync(COVERED);
  for (let v = 0; v < height && !isCovered; v++) {
    const y = (v - (height - 1) / 2) / focal;
    const down = y * Math.cos(pitch) + Math.sin(pitch);
    const wall = 2 / (Math.cos(pitch) - y * Math.sin(pitch));
    const z = Math.min(wall, down > 0 ? 0.31 / down : Infinity);
    // The last digit flickers, as that of a sensor.
    counts.fill(Math.round(1000 * z) + (frames % 2), v * width, (v + 1) * width);
  }
  process.stdout.write(Buffer.from(counts.buffer));
}, 66);
`;

/** Files of a board as the kernel shows them, below `folder`: a colour and a depth camera, an inertial sensor, a serial device. */
export function madeUpBoard(folder: string): { readonly root: string; readonly path: string } {
  const root = join(folder, "board");
  const put = (path: string, text: string): void => {
    mkdirSync(join(root, path, ".."), { recursive: true });
    writeFileSync(join(root, path), `${text}\n`);
  };
  put("sys/class/video4linux/video0/name", "colour");
  put("sys/class/video4linux/video2/name", "depth");
  put("dev/v4l/by-id/readme", "");
  if (!existsSync(join(root, "dev/v4l/by-id/usb-depth-index0")))
    symlinkSync("../../video2", join(root, "dev/v4l/by-id/usb-depth-index0"));
  put("sys/bus/iio/devices/iio:device0/name", "imu-b");
  for (const axis of ["x", "y", "z"]) {
    put(`sys/bus/iio/devices/iio:device0/in_anglvel_${axis}_raw`, "0");
    put(`sys/bus/iio/devices/iio:device0/in_accel_${axis}_raw`, "0");
  }
  put("dev/serial/by-id/usb-motors-if00", "");
  const programs = join(folder, "programs");
  mkdirSync(programs, { recursive: true });
  writeFileSync(join(programs, "v4l2-ctl"), PROGRAM);
  chmodSync(join(programs, "v4l2-ctl"), 0o755);
  return { root, path: `${programs}:${process.env["PATH"]}` };
}
