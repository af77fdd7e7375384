import { isIPv4 } from "node:net";
import { hostname, networkInterfaces } from "node:os";
import { Bonjour, type Browser, type Service, type ServiceConfig } from "bonjour-service";
import { ENDPOINT, SUBPROTOCOL } from "../wire/messages.ts";

const TYPE = "brinkmap";
/** Milliseconds between two searches. A head that is gone leaves the list after two of them. Chosen by hand. */
const SEARCH_EVERY = 20_000;
/** Most heads in the list, which anything on the network can fill. */
const MOST_HEADS = 64;
const LONGEST_NAME = 63;

/** The announced service: `_brinkmap._tcp`, with path and sub-protocol of the endpoint. Source: RFC 6763, sections 4 and 6. */
export function announcement(port: number, isTls: boolean): ServiceConfig {
  return {
    name: nameOf(port),
    type: TYPE,
    protocol: "tcp",
    port,
    txt: { v: "1", path: ENDPOINT, sub: SUBPROTOCOL, tls: isTls ? "1" : "0" },
  };
}

/**
 * A name that no other head of the network has, because the second of two equal names is not announced. Boards that were set up from one disk
 * image share the host name, so the end of the network address of the hardware is in it.
 */
function nameOf(port: number): string {
  const cards = Object.values(networkInterfaces()).flatMap((list) => list ?? []);
  const mac = cards.find(({ internal }) => !internal)?.mac ?? "";
  const host = hostname().split(".")[0]!.slice(0, 24); // dots separate the labels of a name
  const board = mac === "" ? "" : ` (${mac.slice(-5).replace(":", "")})`;
  return `Brinkmap head on ${host}${board}, port ${port}`.slice(0, LONGEST_NAME);
}

/** Another head on the local network, as it announces itself: nothing of it is checked but its form. */
export interface FoundHead {
  readonly name: string;
  /** Address of its page. */
  readonly url: string;
}

export interface DiscoveryOptions {
  /** The head's own port. */
  readonly port: number;
  readonly isTls: boolean;
  /** Whether to announce this head. */
  readonly announces: boolean;
  /** Whether to search for others. */
  readonly finds: boolean;
  /** Gets errors; the head also works without a network. */
  readonly complain: (why: string) => void;
  /** Where multicast packets go, for tests: interface, port, and address of the socket. */
  readonly network?: { readonly interface: string; readonly port: number; readonly bind: string };
}

/** Announces the head on the local network, and finds others there, until it is stopped. */
export class Discovery {
  readonly #options: DiscoveryOptions;
  readonly #bonjour: Bonjour;
  #timer: NodeJS.Timeout | null = null;
  /** The present search, and the one before. */
  #browser: Browser | null = null;
  #before: readonly Service[] = [];

  constructor(options: DiscoveryOptions) {
    this.#options = options;
    const { network = {}, complain, announces, finds, port, isTls } = options;
    this.#bonjour = new Bonjour(network, (error: Error) => complain(error.message));
    if (announces) this.#bonjour.publish(announcement(port, isTls));
    if (finds) {
      this.#search();
      this.#timer = setInterval(() => this.#search(), SEARCH_EVERY);
    }
  }

  #search(): void {
    this.#before = this.#browser?.services ?? [];
    this.#browser?.stop();
    const browser = this.#bonjour.find({ type: TYPE, protocol: "tcp" });
    browser.on("up", () => {
      if (browser.services.length < MOST_HEADS) return;
      browser.stop();
      this.#options.complain(`${MOST_HEADS} heads and more answer: the others are left out`);
    });
    this.#browser = browser;
  }

  /** The other heads, by name. */
  get heads(): readonly FoundHead[] {
    const found = new Map<string, FoundHead>();
    for (const service of [...this.#before, ...(this.#browser?.services ?? [])]) {
      const head = this.#headOf(service);
      if (head !== null) found.set(head.url, head);
    }
    return [...found.values()].sort((a, b) => a.name.localeCompare(b.name) || a.url.localeCompare(b.url));
  }

  #headOf({ name, port, referer, txt }: Service): FoundHead | null {
    // The address from which the answer came: the addresses in it may be of networks that this machine does not reach.
    const address = referer?.address ?? "";
    if (!isIPv4(address) || !Number.isInteger(port) || port < 1 || port > 65535) return null;
    if (port === this.#options.port && isOwn(address)) return null;
    const scheme = (txt as { tls?: unknown } | undefined)?.tls === "1" ? "https" : "http";
    return { name: name.slice(0, LONGEST_NAME), url: `${scheme}://${address}:${port}/` };
  }

  async stop(): Promise<void> {
    if (this.#timer !== null) clearInterval(this.#timer);
    this.#browser?.stop();
    await new Promise<void>((resolve) => {
      // The last announcement may never complete, if the network is gone.
      setTimeout(resolve, 300).unref();
      this.#bonjour.unpublishAll(() => resolve());
    });
    this.#bonjour.destroy();
  }
}

const isOwn = (address: string): boolean =>
  Object.values(networkInterfaces()).some((list) => list?.some((one) => one.address === address));
