import { Redis, type RedisOptions } from "ioredis";
import { PASSWORD, QueueError, type Server } from "./address.ts";

/** Explains an error of the server or the connection, and what to do. */
export function explain({ name, options }: Server, error: Error): QueueError {
  const { message } = error;
  const { code = "" } = error as NodeJS.ErrnoException;
  if (code === "ECONNREFUSED") {
    return new QueueError(
      `no server answers at ${name}; start a server there, for example "redis-server --bind 127.0.0.1 --port ${options.port}" (Debian's package redis-server or valkey-server)`,
    );
  }
  if (code === "ENOTFOUND" || code === "EAI_AGAIN")
    return new QueueError(`there is no machine of the name "${options.host}" (of ${name})`);
  if (/NOAUTH/.test(message))
    return new QueueError(`${name} wants a password: give it in the environment, ${PASSWORD}`);
  if (/WRONGPASS|invalid password|without any password/.test(message))
    return new QueueError(`${name} does not take this password (${PASSWORD}, or in the address): ${message}`);
  if (/Protocol error|Parser/.test(message))
    return new QueueError(`what answers at ${name} is no Redis or Valkey; is the port the right one?`);
  if (/certificate|SSL|TLS|wrong version number/i.test(`${message} ${code}`)) {
    return new QueueError(
      `no encrypted connection to ${name}: ${message}. For a certificate of your own give NODE_EXTRA_CA_CERTS; a server without TLS is redis://`,
    );
  }
  if (/ETIMEDOUT|EHOSTUNREACH|ENETUNREACH/.test(`${code} ${message}`)) {
    return new QueueError(
      `no answer from ${name} in ${ANSWER / 1000} s; is that its address, and does it let us in?`,
    );
  }
  return new QueueError(`${name}: ${message}`);
}

/** Milliseconds within which a server must answer. */
const ANSWER = 5000;
/** Milliseconds for which a server that was lost is tried again. */
const PATIENCE = 60_000;

/** A connection that reconnects; `lost` when the server stays away for too long. */
export class Connection {
  readonly client: Redis;
  /** Aborted with a `QueueError` when the server stays away. */
  readonly lost: AbortSignal;
  readonly server: Server;
  readonly #others: Redis[] = [];
  #timer: NodeJS.Timeout | null = null;

  private constructor(server: Server, say: (line: string) => void, patience: number) {
    const controller = new AbortController();
    this.server = server;
    this.lost = controller.signal;
    this.client = new Redis({ ...server.options, ...LASTING });
    let why = new Error("the connection was closed");
    this.client.on("error", (error: Error) => {
      why = error;
    });
    this.client.on("close", () => {
      if (this.#timer !== null) return;
      say(`lost ${server.name}; trying again for ${patience / 1000} s`);
      this.#timer = setTimeout(
        () => controller.abort(new QueueError(`${server.name} stayed away: ${explain(server, why).message}`)),
        patience,
      );
    });
    this.client.on("ready", () => {
      if (this.#timer === null) return;
      clearTimeout(this.#timer);
      this.#timer = null;
      say(`${server.name} is back`);
    });
  }

  /**
   * @param patience milliseconds
   * @throws {QueueError} when the server cannot be used
   */
  static async open(
    server: Server,
    say: (line: string) => void,
    patience: number = PATIENCE,
  ): Promise<Connection> {
    await probe(server);
    return new Connection(server, say, patience);
  }

  /** Another one, for commands that wait and for the queue itself; closed with this one. */
  beside(): Redis {
    const other = new Redis({ ...this.server.options, ...LASTING });
    other.on("error", () => {}); // the first connection reports it
    this.#others.push(other);
    return other;
  }

  close(): void {
    this.client.removeAllListeners("close");
    if (this.#timer !== null) clearTimeout(this.#timer);
    for (const one of [this.client, ...this.#others]) one.disconnect();
  }
}

const LASTING: RedisOptions = {
  maxRetriesPerRequest: null,
  connectTimeout: ANSWER,
  retryStrategy: (times) => Math.min(100 * times, 1000),
};

/** One try. @throws {QueueError} */
async function probe(server: Server): Promise<void> {
  let first: Error | null = null;
  const client = new Redis({
    ...server.options,
    lazyConnect: true,
    connectTimeout: ANSWER,
    maxRetriesPerRequest: 0,
    enableReadyCheck: false,
    retryStrategy: () => null,
  });
  client.on("error", (error: Error) => {
    first ??= error;
  });
  const timer = setTimeout(() => {
    first ??= new Error("ETIMEDOUT");
    client.disconnect();
  }, ANSWER);
  try {
    await client.connect();
    await client.ping();
  } catch (error) {
    throw explain(server, first ?? (error as Error));
  } finally {
    clearTimeout(timer);
    client.disconnect();
  }
}
