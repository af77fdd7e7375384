import { spawn } from "node:child_process";
import { closeSync, constants, openSync } from "node:fs";
import { readdir, readFile, readlink, realpath } from "node:fs/promises";

// A serial line has one reader: of two programs each gets some of the bytes, and a motor board then hears two heads.

const PROCESSES = "/proc";
/** Names of the far end of every pseudo terminal. */
const FAR_ENDS = ["/dev/ptmx", "/dev/pts/ptmx"];

/**
 * Takes a serial line for this process alone. The lock is one of the system (flock), on a descriptor of its own: the runtime replaces the one
 * that it reads from. It ends with the process, however that ends. Programs that use no lock are found by their open files, as far as this
 * user may see other processes.
 * @returns gives the line back
 * @throws {Error} naming the other program where it is known
 */
export async function lockLine(path: string): Promise<() => void> {
  const descriptor = openSync(path, constants.O_RDONLY | constants.O_NOCTTY | constants.O_NONBLOCK);
  try {
    const isLocked = await takeLock(descriptor);
    const user = await userOf(path);
    if (user !== null) throw new Error(`${path}: another program has the line: ${user}; end it first`);
    if (!isLocked) throw new Error(`${path}: another program has locked the line; end it first`);
  } catch (error) {
    closeSync(descriptor);
    throw error;
  }
  return () => closeSync(descriptor);
}

/** True when the lock is this descriptor's. `flock` (util-linux) locks a descriptor that it inherits, for all who share it. */
function takeLock(descriptor: number): Promise<boolean> {
  return new Promise((resolve, reject) => {
    const child = spawn("flock", ["--exclusive", "--nonblock", "3"], {
      stdio: ["ignore", "ignore", "ignore", descriptor],
    });
    child.on("error", (error) => reject(new Error(`flock (util-linux) cannot be started: ${error.message}`)));
    child.on("exit", (code) => resolve(code === 0));
  });
}

/** Another process that has this device open: its name and number. */
async function userOf(path: string): Promise<string | null> {
  const device = await realpath(path);
  for (const pid of await readdir(PROCESSES)) {
    if (!/^\d+$/.test(pid) || Number(pid) === process.pid) continue;
    try {
      const folder = `${PROCESSES}/${pid}/fd`;
      const open = await Promise.all((await readdir(folder)).map((file) => readlink(`${folder}/${file}`)));
      // A simulated board at the far end of a pseudo terminal may keep the near end open, too.
      if (!open.includes(device) || open.some((file) => FAR_ENDS.includes(file))) continue;
      return `${(await readFile(`${PROCESSES}/${pid}/comm`, "utf8")).trim()} (process ${pid})`;
    } catch {
      // It has ended, or is another user's.
    }
  }
  return null;
}
