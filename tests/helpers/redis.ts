import { type ChildProcess, spawn, spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { type AddressInfo, createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Redis } from "ioredis";

/** For `testWith`. */
export const needsRedis = (): string | null =>
  spawnSync("redis-server", ["--version"], { stdio: "ignore" }).status === 0
    ? null
    : "redis-server; apt-get install redis-server";

export async function freePort(): Promise<number> {
  const server = createServer().listen(0, "127.0.0.1");
  await new Promise((resolve) => server.once("listening", resolve));
  const { port } = server.address() as AddressInfo;
  await new Promise((resolve) => server.close(resolve));
  return port;
}

/** A Redis server on a free loopback port, in a temporary folder, without persistence. */
export class RedisServer {
  readonly port: number;
  readonly url: string;
  readonly #folder = mkdtempSync(join(tmpdir(), "brinkmap-redis-"));
  readonly #more: readonly string[];
  readonly #password: string | null;
  #process: ChildProcess | null = null;

  private constructor(port: number, password: string | null, more: readonly string[]) {
    this.port = port;
    this.url = `redis://127.0.0.1:${port}`;
    this.#password = password;
    this.#more = more;
  }

  /** @param more further arguments for the server's command line */
  static async start(password: string | null = null, more: readonly string[] = []): Promise<RedisServer> {
    const server = new RedisServer(await freePort(), password, more);
    await server.begin();
    return server;
  }

  /** Starts it, or restarts it empty. */
  async begin(): Promise<void> {
    const words = ["--port", String(this.port), "--bind", "127.0.0.1", "--dir", this.#folder];
    const secret = this.#password === null ? [] : ["--requirepass", this.#password];
    const all = [...words, "--save", "", "--appendonly", "no", ...secret, ...this.#more];
    this.#process = spawn("redis-server", all, { stdio: "ignore" });
    const client = this.client();
    await client.ping();
    client.disconnect();
  }

  client(): Redis {
    const auth = this.#password === null ? {} : { password: this.#password };
    const client = new Redis({
      port: this.port,
      maxRetriesPerRequest: null,
      retryStrategy: () => 50,
      ...auth,
    });
    client.on("error", () => {}); // refused until the server listens
    return client;
  }

  /** Kills it without a shutdown, as a power cut would. */
  async kill(): Promise<void> {
    const child = this.#process;
    if (child === null || child.exitCode !== null) return;
    const gone = new Promise((resolve) => child.once("exit", resolve));
    child.kill("SIGKILL");
    await gone;
    this.#process = null;
  }

  async close(): Promise<void> {
    await this.kill();
    rmSync(this.#folder, { recursive: true, force: true });
  }
}
