import { afterEach, expect, test } from "vitest";
import { Discovery, type DiscoveryOptions } from "../../src/service/discovery.ts";
import { LiveHead, until } from "../helpers/live.ts";

// Packets go to this machine alone: the sockets send to the loopback interface, on a port that is not the standard's, and take only what
// comes to the multicast address there.
const network = { interface: "127.0.0.1", port: 25_353, bind: "224.0.0.251" };

const open: Discovery[] = [];
function discover(options: Partial<DiscoveryOptions>): {
  readonly discovery: Discovery;
  readonly complaints: string[];
} {
  const complaints: string[] = [];
  const discovery = new Discovery({
    ...{ port: 4917, isTls: false, announces: false, finds: false, network },
    complain: (why) => complaints.push(why),
    ...options,
  });
  open.push(discovery);
  return { discovery, complaints };
}
afterEach(async () => {
  await Promise.all(open.splice(0).map((one) => one.stop()));
});

test("a head finds others that are announced, with the address of their page, and not itself", async () => {
  const { discovery, complaints } = discover({ port: 4917, announces: true, finds: true });
  discover({ port: 4918, announces: true, isTls: true });
  await until(() => discovery.heads.length > 0, "the other head");
  const [one, ...more] = discovery.heads;
  expect(more).toEqual([]);
  expect(one!.url).toMatch(/^https:\/\/[\d.]+:4918\/$/);
  expect(one!.name).toMatch(/^Brinkmap head on .*, port 4918$/);
  expect(complaints).toEqual([]);
});

test("a head that was not told to search finds none", async () => {
  const { discovery } = discover({ announces: true });
  discover({ port: 4918, announces: true });
  await new Promise((resolve) => setTimeout(resolve, 1500));
  expect(discovery.heads).toEqual([]);
});

test("the list of heads is off, unless the settings file turns it on", async () => {
  const head = await LiveHead.start();
  const answer = await fetch(head.service.url.replace("ws:", "http:").replace("/live", "/heads"));
  expect(await answer.json()).toEqual({ isOn: false, heads: [] });
  await head.stop();
});
